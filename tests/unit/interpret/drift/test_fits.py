"""Fits of a stylus's figures: what is fitted, from where, and what the tests say of it."""

import numpy as np
import pytest
from scipy import stats

import drift_histories as study
from grooveledger.interpret.drift import fits
from grooveledger.interpret.drift.history import groups, histories
from grooveledger.interpret.drift.settings import Settings
from grooveledger.interpret.drift.spread import Spread

N = 12
HOURS = 30.0 + 10.0 * np.arange(N)
SETTINGS = Settings()


def history_of(values, hours=HOURS, stylus="one", **conditions):
    table = study.long_table(np.atleast_2d(values), hours, stylus=stylus, **conditions)
    (history,) = histories(*study.archive_of(table))
    return history


def prepared(values, hours=HOURS, settled=30.0, settings=SETTINGS, **conditions):
    history = history_of(values, hours, **conditions)
    (group,) = groups(history, settled)
    return fits.prepare(history, group, settings, settled)


def scattered(count=1, n=N, seed=0):
    return 0.1 * np.random.default_rng(seed).standard_normal((count, n))


@pytest.mark.parametrize(("days", "is_fitted"), [(6, True), (5, False)])
def test_days_and_not_captures_are_counted(days, is_fitted):
    day = np.repeat(np.arange(days), 2)
    hours = 30.0 + 10.0 * day + 0.5 * (np.arange(2 * days) % 2)
    found = prepared(scattered(n=2 * days), hours, day=day)
    assert (found is not None) == is_fitted
    assert prepared(scattered(n=4), HOURS[:4], settings=Settings(minimum_captures=4)) is not None


@pytest.mark.parametrize(("span", "is_fitted"), [(20.0, True), (19.9, False)])
def test_captures_must_span_twenty_hours(span, is_fitted):
    found = prepared(scattered(), 30.0 + np.linspace(0.0, span, N))
    assert (found is not None) == is_fitted


def test_a_group_without_captures_is_not_fitted():
    assert prepared(scattered(), settled=1e3) is None


@pytest.mark.parametrize(("first", "origin"), [(54.9, 30.0), (55.1, 55.1), (30.0, 30.0)])
def test_the_baseline_lies_at_the_end_of_break_in_within_a_quarter_of_the_span(first, origin):
    found = prepared(scattered(), first + np.linspace(0.0, 100.0, N))
    assert found.origin_hours == pytest.approx(origin)
    np.testing.assert_allclose(found.design[:, 0], 1.0)
    np.testing.assert_allclose(found.design[:, 1], (found.hours - origin) / 100.0)


def test_figures_hours_and_dates_are_the_means_of_their_days():
    day = np.repeat(np.arange(N // 2), 2)
    hours = 30.0 + 20.0 * day + np.arange(N) % 2
    values = scattered(3)
    found = prepared(values, hours, day=day)
    np.testing.assert_allclose(found.hours, 30.5 + 20.0 * np.arange(N // 2))
    np.testing.assert_allclose(found.date, 18_262.0 + np.arange(N // 2))
    np.testing.assert_allclose(found.values + found.away, values.reshape(3, -1, 2).mean(axis=2))
    assert found.n_odd.tolist() == [0.0, 0.0, 0.0]


def test_odd_days_are_drawn_in_and_counted_figure_by_figure():
    values = scattered(2, 20)
    values[1, [4, 11]] += 5.0
    found = prepared(values, 30.0 + 10.0 * np.arange(20))
    assert found.n_odd.tolist() == [0.0, 2.0]
    assert np.flatnonzero(found.away[1]).tolist() == [4, 11]
    np.testing.assert_allclose(found.values + found.away, values)
    assert np.abs(found.values[1]).max() < 1.0


def test_a_bend_is_the_square_of_the_hours_where_it_can_be_estimated():
    found = prepared(scattered())
    np.testing.assert_allclose(found.since, np.linspace(0.0, 1.0, N))
    np.testing.assert_allclose(found.bent()[:, -1], np.linspace(0.0, 1.0, N) ** 2)
    two_places = prepared(scattered(), np.repeat([30.0, 80.0], N // 2))
    assert two_places.bent().shape == two_places.design.shape


def analysed(values, hours=HOURS, **conditions):
    return fits.analyse(history_of(values, hours, **conditions), SETTINGS)


def test_a_fit_is_that_of_generalised_least_squares():
    """The same by the whole covariance of days that are alike in time."""
    values = 0.3 * HOURS / 100.0 + np.cumsum(scattered(3, seed=3), axis=1)
    page = analysed(values)
    (tested,) = page.tested
    assert page.figures == 3
    correlation = tested.scatter.correlation
    assert correlation.strength > 0.05
    assert tested.scatter.spread == Spread()
    design, steps = tested.fitted.design, correlation.steps(HOURS, tested.fitted.date)
    apart = np.concatenate([[0.0], np.cumsum(-np.log(steps))])
    inverse = np.linalg.inv(np.exp(-np.abs(np.subtract.outer(apart, apart))))
    unscaled = np.linalg.inv(design.T @ inverse @ design)
    for i, own in enumerate(tested.fitted.values):
        coefficients = unscaled @ design.T @ inverse @ own
        rest = own - design @ coefficients
        sd = np.sqrt(rest @ inverse @ rest / (N - 2))
        np.testing.assert_allclose(tested.fit.coefficients[i], coefficients)
        assert tested.fit.scatter_sd[i] == pytest.approx(sd)
        t = coefficients[1] / (sd * np.sqrt(unscaled[1, 1]))
        assert tested.p_trend[i] == pytest.approx(2.0 * stats.t.sf(abs(t), N - 2))
        np.testing.assert_allclose(tested.white_values[i], tested.white(own[:, None])[:, 0])
    assert (tested.p_adjusted >= 1.0 / (1 + fits.PERMUTATIONS)).all()


def test_what_does_not_scatter_has_no_trend():
    (tested,) = analysed(np.full(N, 4.2)).tested
    assert tested.p_trend.tolist() == [1.0]
    assert tested.p_adjusted.tolist() == [1.0]
    assert tested.p_change.tolist() == [1.0]


def test_a_trend_a_bend_and_a_step_each_show_where_they_are():
    n = 40
    hours = 30.0 + 5.0 * np.arange(n)
    since = np.linspace(0.0, 1.0, n)
    shapes = np.stack([0.0 * since, since, 4.0 * (since - 0.5) ** 2, 1.0 * (since > 0.6)])
    (tested,) = analysed(shapes + 0.5 * scattered(4, n, seed=1), hours).tested
    least = 1.0 / (1 + fits.PERMUTATIONS)
    assert tested.p_adjusted[0] > 0.05
    assert tested.p_adjusted[1] == pytest.approx(least)
    assert (tested.p_curved > 0.05).tolist()[:2] == [True, True]
    assert tested.p_curved[2] == pytest.approx(least)
    assert (tested.p_change < fits.STEP_ALARMS).tolist() == [False, False, False, True]
    assert tested.change_place[3] == np.flatnonzero(since > 0.6)[0]


def test_a_trend_without_the_plays_is_tested_only_where_they_are_in_the_model():
    """A record that is new for a long time: hours and plays are not one line."""
    plays = 10.0 * np.maximum(0.0, np.arange(30.0) - 19.0)
    hours = 30.0 + 10.0 * np.arange(30)
    values = -plays / 100.0 + scattered(1, 30)
    (tested,) = analysed(values, hours, plays=plays).tested
    assert tested.fitted.model.names == ("record_plays",)
    assert tested.p_together[0] < 0.01
    assert tested.p_adjusted[0] > 0.05
    (without,) = analysed(values, hours).tested
    assert np.isnan(without.p_together).all()


def test_the_same_history_gives_the_same_probabilities_and_another_stylus_others():
    values = scattered(3, seed=5)

    def p_adjusted(stylus):
        (tested,) = analysed(values, stylus=stylus).tested
        return tested.p_adjusted.tolist()

    assert p_adjusted("one") == p_adjusted("one")
    assert p_adjusted("one") != p_adjusted("two")


def test_groups_of_one_stylus_share_their_correlation_and_the_size_of_their_page():
    values = scattered(4, 20, seed=6)
    values[3, 2] = np.nan
    page = analysed(values, 30.0 + 10.0 * np.arange(20))
    first, second = page.tested
    assert [len(one.fitted.values) for one in page.tested] == [3, 1]
    assert page.figures == 4
    assert first.scatter == second.scatter


def settling(hours, rate_hours=12.0, size=2.0):
    values = size * np.exp(-(hours - 30.0) / rate_hours)
    return values + 0.2 * scattered(5, len(hours), seed=4)


def test_settling_is_followed_to_its_end_and_steady_figures_stay():
    hours = 30.0 + 4.0 * np.arange(40)
    page = analysed(settling(hours), hours)
    assert page.settled_later
    # Of 2 dB at 30 h 0.6 are left at 45 h, and 0.16 in a scatter of 0.02 at 60 h.
    assert page.settled_hours == 60.0
    quiet = analysed(settling(hours, size=0.0), hours)
    assert not quiet.settled_later
    assert quiet.settled_hours == 30.0
    # What is left has been fitted from the longer break-in on.
    assert page.tested[0].fitted.hours[0] >= page.settled_hours


def test_no_end_of_settling_is_sought_beyond_four_times_the_break_in():
    hours = 30.0 + 4.0 * np.arange(40)
    assert analysed(settling(hours, size=1e3), hours).settled_hours == 120.0


def test_wear_by_a_root_or_a_square_is_no_settling():
    hours = 30.0 + 4.0 * np.arange(40)
    since = np.linspace(0.0, 1.0, 40)
    for shape in (np.sqrt(since), since**2, since):
        values = 3.0 * shape + 0.2 * scattered(5, 40, seed=7)
        assert not analysed(values, hours).settled_later


def test_settling_needs_three_days_within_a_day_of_play_and_three_after():
    """Within twice 12 h of break-in: two days there show nothing."""
    hours = np.concatenate([[30.0, 50.0], 55.0 + 4.0 * np.arange(30)])
    assert not analysed(settling(hours), hours).settled_later
    sooner = np.concatenate([[30.0, 40.0, 50.0], 55.0 + 4.0 * np.arange(30)])
    assert analysed(settling(sooner), sooner).settled_later
