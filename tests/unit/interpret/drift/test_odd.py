"""Captures that do not fit their stylus: deviations by leaving out, thresholds, sentences."""

from dataclasses import replace

import numpy as np
import pytest

import drift_histories as study
from grooveledger.interpret.drift import odd
from grooveledger.interpret.drift.analysis import analyse_archive
from grooveledger.interpret.drift.fits import STEP_ALARMS
from grooveledger.interpret.drift.least_squares import normal_score
from grooveledger.interpret.drift.serial import Correlation
from grooveledger.interpret.drift.spread import Scatter, Spread

N = 16
HOURS = 30.0 + 10.0 * np.arange(N)


def analysed(values, hours=HOURS, **conditions):
    settings = conditions.pop("settings", {})
    table = study.long_table(np.atleast_2d(values), hours, **conditions)
    return analyse_archive(*study.archive_of(table), settings)


def alike(strength):
    """Return the scatter of days of one size that are alike in time by a correlation."""
    return Scatter(Spread(), Correlation(strength, by_date=False))


def judged(values, hours=HOURS, **changes):
    """Return the tests of one group, as of days that are not alike in time and without a step."""
    analysis = analysed(values, hours)
    (tested,) = analysis.pages["one"].tested
    none = {"scatter": alike(0.0), "p_change": np.ones(len(tested.fitted.values))}
    return analysis.histories[0], replace(tested, **{**none, **changes})


def scattered(count=1, n=N, seed=0):
    return 0.1 * np.random.default_rng(seed).standard_normal((count, n))


def test_a_deviation_is_from_what_a_bent_line_through_all_other_days_predicts():
    """By fitting anew without each day: its deviation, and the scatter of one further value."""
    _, tested = judged(scattered(2))
    found = odd.deviations(tested)
    design = tested.fitted.bent()
    for day in range(N):
        rest = np.delete(np.arange(N), day)
        inverse = np.linalg.inv(design[rest].T @ design[rest])
        for i, values in enumerate(tested.fitted.values):
            coefficients = inverse @ design[rest].T @ values[rest]
            left = values[rest] - design[rest] @ coefficients
            sd = np.sqrt(left @ left / (N - 4))
            sd *= np.sqrt(1.0 + design[day] @ inverse @ design[day])
            assert found.deviation[i, day] == pytest.approx(
                values[day] - design[day] @ coefficients
            )
            assert found.sd[i, day] == pytest.approx(sd)
    assert found.degrees.ravel().tolist() == [N - 4.0] * 2
    assert found.weighed.all()


def test_what_an_odd_day_was_drawn_in_by_counts_again():
    values = scattered()
    values[0, 5] += 3.0
    _, tested = judged(values)
    assert tested.fitted.away[0, 5] != 0.0
    found = odd.deviations(tested)
    assert found.deviation[0, 5] == pytest.approx(3.0, abs=0.4)
    assert found.degrees.ravel().tolist() == [N - 5.0]


@pytest.mark.parametrize(("days", "is_enough"), [(6, True), (5, False)])
def test_a_bent_line_must_leave_two_degrees_of_freedom(days, is_enough):
    """Of six days one is left out and three fix the line: two are left."""
    history = analysed(scattered(n=days), HOURS[:days], settings={"minimum_captures": 4})
    (tested,) = history.pages["one"].tested
    assert (odd.deviations(tested) is not None) == is_enough


def test_scatter_that_lasts_is_not_smaller_than_that_of_the_fit():
    _, tested = judged(scattered())
    wide = replace(tested, fit=tested.fit._replace(scatter_sd=10.0 * tested.fit.scatter_sd))
    np.testing.assert_allclose(odd.deviations(wide).sd, odd.deviations(tested).sd)
    lasting = odd.deviations(replace(wide, scatter=alike(0.3)))
    design = np.linalg.qr(tested.fitted.bent())[0]
    free = 1.0 - np.sum(design**2, axis=1)
    np.testing.assert_allclose(lasting.sd, wide.fit.scatter_sd[0] / np.sqrt(free)[None])


@pytest.mark.parametrize(("part", "is_weighed"), [(0.99, False), (1.01, True)])
def test_a_figure_that_changed_suddenly_makes_no_capture_odd(part, is_weighed):
    _, tested = judged(scattered(2), p_change=np.array([part * STEP_ALARMS, 1.0]))
    found = odd.deviations(tested)
    assert found.deviation[0].any() == is_weighed
    assert found.deviation[1].any()


def test_scores_are_normal_deviates_and_figures_without_scatter_have_none():
    _, tested = judged(scattered(2))
    found = odd.deviations(tested)
    found = found._replace(sd=np.stack([found.sd[0], np.zeros(N)]))
    scores = odd.day_scores(found)
    t = found.deviation[0] / found.sd[0]
    np.testing.assert_allclose(scores[0], normal_score(t**2, np.full(N, N - 4.0)))
    assert not scores[1].any()


def test_a_usual_score_is_exceeded_by_a_tenth_of_the_days():
    history, tested = judged(scattered(3))
    found = odd.deviations(tested)
    largest = odd.day_scores(found).max(axis=0)
    assert odd.usual_score([found], history) == pytest.approx(np.quantile(largest, 0.9))
    first = history.day[0]
    assert odd.usual_score([found], history, first) == pytest.approx(np.quantile(largest[1:], 0.9))
    doubled = found._replace(deviation=2.0 * found.deviation)
    more = odd.day_scores(doubled).max(axis=0)
    assert odd.usual_score([found, doubled], history) == pytest.approx(np.quantile(more, 0.9))
    assert odd.usual_score([], history) == 0.0


def test_a_page_of_four_figures_and_more_needs_two_odd_ones():
    assert [odd.enough(n) for n in (1, 3, 4, 100)] == [1, 1, 2, 2]


def named(values, day=9, off=(), **conditions):
    """Name the odd captures of figures of which those in `off` lie so far off on one day."""
    values = np.atleast_2d(values).copy()
    for i, away in enumerate(off):
        values[i, day] += away
    analysis = analysed(values, **conditions)
    return list(odd.odd_captures(*analysis))


def test_a_row_names_the_figure_that_is_furthest_off():
    (row,) = named(scattered(6), off=(1.2, -2.0))
    assert (row["stylus"], row["capture"], row["stylus_hours"]) == ("one", "one-00009", 120.0)
    assert row["captured_at"] == "2020-01-10"
    assert row["n_figures"] == 2
    assert (row["metric"], row["channel"], row["unit"]) == (study.METRIC, "h00001", "dB")
    assert row["deviation"] == pytest.approx(-2.0, abs=0.4)
    assert row["p_odd"] < odd.ODD_ALARMS
    assert row["fits_stylus"] is None
    assert row["fits_record"] is None


@pytest.mark.parametrize(
    ("off", "end"),
    [
        ((1.5, 1.2), "above what the other days predict, and 1 more figure."),
        ((-1.5, 1.2, 1.2), "below what the other days predict, and 2 more figures."),
    ],
)
def test_a_sentence_says_how_far_which_way_and_how_much_more(off, end):
    (row,) = named(scattered(6), off=off)
    assert row["sentence"].startswith("Capture one-00009 is odd: ")
    assert row["sentence"].endswith(end)
    assert "\N{NO-BREAK SPACE}dB " in row["sentence"]


def test_a_sentence_of_one_figure_names_its_channel_where_it_is_a_side():
    table = study.long_table(scattered(), HOURS)
    table.loc[9, "value"] += 2.0
    for channel, is_named in (("left", True), ("both", False)):
        analysis = analyse_archive(*study.archive_of(table.assign(channel=channel)), {})
        (row,) = odd.odd_captures(*analysis)
        assert (f", {channel} lies " in row["sentence"]) == is_named
        assert row["sentence"].endswith("above what the other days predict.")


@pytest.mark.parametrize(("figures", "count"), [(3, 1), (4, 0)])
def test_one_figure_is_enough_on_a_short_page_only(figures, count):
    assert len(named(scattered(figures), off=(2.0,))) == count
    assert len(named(scattered(figures), off=(2.0, 2.0))) == 1


@pytest.mark.parametrize(("least", "count"), [(1.5, 1), (2.5, 0)])
def test_what_is_below_the_least_change_is_not_worth_a_word(least, count):
    settings = {"least_changes": {study.METRIC: least}}
    assert len(named(scattered(), off=(2.0,), settings=settings)) == count


def test_nothing_is_odd_within_what_the_archives_repeats_scatter():
    table = study.long_table(scattered(), HOURS)
    table.loc[9, "value"] += 1.0
    for scatter, count in ((0.01, 1), (1.0, 0)):
        analysis = analyse_archive(*study.archive_of(table.assign(scatter=scatter)), {})
        assert len(list(odd.odd_captures(*analysis))) == count


def test_all_captures_of_an_odd_day_are_named():
    day = np.repeat(np.arange(N), 2)
    hours = 30.0 + 10.0 * day + 0.5 * (np.arange(2 * N) % 2)
    values = scattered(6, 2 * N)
    values[:, [14, 15]] += 2.0
    table = study.long_table(values, hours, day=day)
    found = odd.odd_captures(*analyse_archive(*study.archive_of(table), {}))
    assert [row["capture"] for row in found] == ["one-00014", "one-00015"]


def test_pages_of_scatter_name_a_capture_in_few_cases():
    """A hundred styli of one figure: at most what a page may, 4 %, and three standard errors."""
    settings = {"least_changes": {study.METRIC: None}}
    count = 0
    for seed in range(100):
        count += bool(named(scattered(1, seed=seed), settings=dict(settings)))
    assert count / 100 < odd.ODD_ALARMS + 3.0 * np.sqrt(0.04 * 0.96 / 100)


def test_a_constant_history_has_no_odd_capture():
    assert not named(np.full(N, 3.0), settings={"least_changes": {study.METRIC: None}})
