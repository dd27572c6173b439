"""A row of the drift table: its numbers, and just inside and outside of each verdict."""

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy import stats

import drift_histories as study
from grooveledger.interpret.drift import fits, forecast, rows
from grooveledger.interpret.drift.history import histories
from grooveledger.interpret.drift.rows import DriftRow
from grooveledger.interpret.drift.serial import Correlation
from grooveledger.interpret.drift.settings import Settings
from grooveledger.interpret.drift.spread import Scatter, Spread
from grooveledger.schemas.interpret import DRIFT

N = 12
HOURS = 40.0 + 10.0 * np.arange(N)
#: A scatter without a trend of its own.
SCATTER = 0.05 * np.array([1.0, -1.0, -1.0, 1.0] * 3)
LINE = 1.0 - 0.5 * (HOURS - 30.0) / 100.0
SETTINGS = Settings()


def test_a_row_has_the_columns_of_its_table_and_no_others():
    assert {field.name for field in fields(DriftRow)} == set(DRIFT.names)


def analysed(values, hours=HOURS, **conditions):
    """Return the history of one figure, its page and its tests, as of independent days."""
    table = study.long_table(np.atleast_2d(values), hours, **conditions)
    (history,) = histories(*study.archive_of(table))
    page = fits.analyse(history, SETTINGS)
    return history, page, page.tested[0]


def alike(strength):
    """Return the scatter of days of one size that are alike in time by a correlation."""
    return Scatter(Spread(), Correlation(strength, by_date=False))


def independent(tested, **changes):
    """Return tests of the same figures on days that are not alike in time."""
    design, values = tested.fitted.design, tested.fitted.values
    fit = fits.least_squares.fit(design, values, tested.fitted.n_odd)
    return replace(tested, scatter=alike(0.0), fit=fit, **changes)


def filled(values, hours=HOURS, settings=SETTINGS, resolution=0.0, changes=None, **conditions):
    history, page, tested = analysed(values, hours, **conditions)
    made = {name: np.array([value]) for name, value in (changes or {}).items()}
    tested = independent(tested, **made)
    row = rows.bare_row(history.stylus, history.cartridge, history.series[0], tested.fitted.hours)
    found = forecast.powers(tested)
    rows.fill_row(row, tested, 0, page, found, settings, resolution)
    return row


def test_a_bare_row_has_its_captures_and_no_verdict():
    row = rows.bare_row("one", "type", (study.METRIC, "left", "dB"), HOURS)
    assert (row.n, row.hours_first, row.hours_last) == (N, HOURS[0], HOURS[-1])
    assert row.verdict == "too_few"
    assert np.isnan(row.slope_per_100h)
    none = rows.bare_row("one", "type", ("invented", "left", "dB"), np.array([]))
    assert none.n == 0
    assert np.isnan(none.hours_first)


def test_slope_interval_and_values_are_those_of_a_straight_line():
    row = filled(LINE + SCATTER)
    line = stats.linregress((HOURS - 30.0) / 100.0, LINE + SCATTER)
    reach = stats.t.ppf(0.975, N - 2) * line.stderr
    assert row.slope_per_100h == pytest.approx(line.slope)
    assert (row.slope_low, row.slope_high) == pytest.approx(
        (line.slope - reach, line.slope + reach)
    )
    assert row.baseline_hours == 30.0
    assert row.baseline_value == pytest.approx(line.intercept)
    assert row.value_now == pytest.approx(line.intercept + 1.2 * line.slope)
    assert row.change_observed == pytest.approx(1.1 * line.slope)
    rest = LINE + SCATTER - line.intercept - line.slope * (HOURS - 30.0) / 100.0
    assert row.residual_sd == pytest.approx(np.sqrt(np.sum(rest**2) / (N - 2)))
    assert (row.n_days, row.n_odd) == (N, 0)
    assert row.verdict == "drifting"


CERTAIN = {"p_adjusted": 0.001, "p_change": 1.0, "p_curved": 1.0, "p_together": np.nan}


@pytest.mark.parametrize(("p", "verdict"), [(0.034, "drifting"), (0.036, "steady")])
def test_a_page_names_a_trend_that_chance_makes_in_less_than_its_share_of_pages(p, verdict):
    assert filled(LINE + SCATTER, changes={**CERTAIN, "p_adjusted": p}).verdict == verdict


@pytest.mark.parametrize(("part", "verdict"), [(0.99, "drifting"), (1.01, "steady")])
def test_a_change_below_the_least_is_steady(part, verdict):
    change = filled(LINE + SCATTER).change_observed
    settings = Settings(least_changes={study.METRIC: part * abs(change)})
    row = filled(LINE + SCATTER, settings=settings, changes=CERTAIN)
    assert row.verdict == verdict
    assert row.least_change == pytest.approx(part * abs(change))


def test_no_change_at_all_is_steady_however_sure():
    settings = Settings(least_changes={study.METRIC: None})
    row = filled(np.full(N, 2.0), settings=settings, changes=CERTAIN)
    assert row.change_observed == pytest.approx(0.0, abs=1e-9)
    assert filled(np.zeros(N), settings=settings, changes=CERTAIN).verdict == "steady"


@pytest.mark.parametrize(("strength", "verdict"), [(0.5, "drifting"), (0.51, "too_few")])
def test_nothing_is_said_of_less_than_four_independent_days(strength, verdict):
    """Twelve days that correlate by r amount to 12 (1 - r) / (1 + r): 4 at r = 1/2."""
    history, page, tested = analysed(LINE + SCATTER)
    made = {name: np.array([value]) for name, value in CERTAIN.items()}
    made["p_change"] = np.array([0.0])
    tested = replace(independent(tested, **made), scatter=alike(strength))
    row = rows.bare_row(history.stylus, history.cartridge, history.series[0], HOURS)
    found = forecast.powers(tested)
    rows.fill_row(row, tested, 0, page, found, Settings(least_changes={study.METRIC: 0.2}))
    assert row.verdict == verdict
    if verdict == "too_few":
        assert np.isnan(row.change_value)


STEP = np.where(HOURS > 95.0, -0.6, 0.0)


def test_a_step_is_fitted_beside_the_slope_and_lies_between_two_captures():
    row = filled(LINE + STEP + 0.1 * SCATTER, changes={"p_change": 0.001})
    assert row.change_value == pytest.approx(-0.6, abs=0.02)
    assert (row.change_low_hours, row.change_at_hours, row.change_high_hours) == (90.0, 95.0, 100.0)
    assert row.slope_per_100h == pytest.approx(-0.5, abs=0.03)
    assert row.slope_low < -0.5 < row.slope_high
    # The newest figure has the step in it.
    assert row.value_now == pytest.approx(1.0 - 0.5 * 1.2 - 0.6, abs=0.03)


@pytest.mark.parametrize(("p", "is_step"), [(0.0119, True), (0.0121, False)])
def test_a_page_names_a_step_that_chance_makes_in_less_than_its_share(p, is_step):
    row = filled(LINE + STEP + 0.1 * SCATTER, changes={"p_change": p})
    assert np.isfinite(row.change_value) == is_step


@pytest.mark.parametrize(("resolution", "is_step"), [(0.39, True), (0.41, False)])
def test_a_step_is_more_than_one_and_a_half_of_those_a_figure_comes_in(resolution, is_step):
    values = LINE + STEP + 0.01 * SCATTER
    row = filled(values, resolution=resolution, changes={"p_change": 0.001})
    assert np.isfinite(row.change_value) == is_step


@pytest.mark.parametrize(("least", "is_step"), [(0.58, True), (0.62, False)])
def test_a_step_below_the_least_change_is_none(least, is_step):
    settings = Settings(least_changes={study.METRIC: least})
    row = filled(LINE + STEP + 0.01 * SCATTER, settings=settings, changes={"p_change": 0.001})
    assert np.isfinite(row.change_value) == is_step


@pytest.mark.parametrize("p_change", [0.001, 1.0])
def test_fitted_values_are_what_the_row_states(p_change):
    values = LINE + STEP + 0.1 * SCATTER
    _, _, tested = analysed(values)
    tested = independent(tested, p_change=np.array([p_change]))
    fitted = rows.fitted_values(tested, 0, 0.3, 0.0)
    row = filled(values, changes={"p_change": p_change})
    height = 0.0 if np.isnan(row.change_value) else row.change_value
    expected = row.baseline_value + row.slope_per_100h * (HOURS - row.baseline_hours) / 100.0
    expected = expected + height * (HOURS > 95.0)
    np.testing.assert_allclose(fitted, expected)
    assert np.isnan(row.change_value) == (p_change == 1.0)


def test_a_trend_beside_a_step_counts_once_for_each_figure_of_the_page():
    row = filled(LINE + STEP + 0.1 * SCATTER, changes={"p_change": 0.001})
    values = np.stack([LINE + STEP + 0.1 * SCATTER, *[SCATTER] * 4])
    history, page, tested = analysed(values)
    tested = independent(tested, p_change=np.full(5, 0.001), p_curved=np.ones(5))
    many = rows.bare_row(history.stylus, history.cartridge, history.series[0], HOURS)
    rows.fill_row(many, tested, 0, page, forecast.powers(tested), SETTINGS)
    assert row.p_adjusted == pytest.approx(row.p_trend)
    assert many.p_adjusted == pytest.approx(min(1.0, 5.0 * many.p_trend))
    assert many.p_trend == pytest.approx(row.p_trend)


def test_temperature_and_plays_that_are_in_the_model_are_stated():
    """Exact planes: -0.05 a degree, -3 per 100 plays, of a record that was long kept new."""
    n = 24
    hours = 30.0 + 10.0 * np.arange(n)
    temperature = 20.0 + 3.0 * np.cos(np.arange(n) ** 2)
    plays = 5.0 * np.maximum(0.0, np.arange(n) - 15.0)
    values = -0.2 * (hours - 30.0) / 100.0 - 0.05 * (temperature - 20.0) - 3.0 * plays / 100.0
    noise = 1e-3 * np.random.default_rng(2).standard_normal(n)
    row = filled(values + noise, hours, plays=plays, temperature_c=temperature)
    assert row.temperature_per_c == pytest.approx(-0.05, abs=1e-3)
    assert row.record_wear_per_100_plays == pytest.approx(-3.0, abs=0.02)
    assert row.record_part == pytest.approx(-3.0 * np.ptp(plays) / 100.0, abs=0.02)
    assert row.slope_per_100h == pytest.approx(-0.2, abs=5e-3)


def test_record_wear_has_the_interval_and_probability_of_students_t():
    row = rows.bare_row("one", "type", (study.METRIC, "left", "dB"), HOURS)
    rows.fill_record_wear(row, -2.0, 0.5, 7.0)
    reach = 0.5 * stats.t.ppf(0.975, 7)
    assert row.record_wear_per_100_plays == -2.0
    assert (row.record_wear_low, row.record_wear_high) == pytest.approx(
        (-2.0 - reach, -2.0 + reach)
    )
    assert row.p_record_wear == pytest.approx(2.0 * stats.t.sf(4.0, 7))
    rows.fill_record_wear(row, -2.0, 0.0, 7.0)
    assert row.p_record_wear == 1.0


PLAYED = {"plays": 5.0 * np.maximum(0.0, np.arange(N) - 7.0)}
TOGETHER = {**CERTAIN, "p_adjusted": 1.0, "p_together": 0.001}


@pytest.mark.parametrize(("p", "verdict"), [(0.034, "confounded"), (0.036, "steady")])
def test_stylus_and_record_share_the_blame_where_only_both_together_move(p, verdict):
    row = filled(LINE + 4.0 * SCATTER, changes={**TOGETHER, "p_together": p}, **PLAYED)
    assert row.p_record_wear > 0.025
    assert row.verdict == verdict
    assert row.confounded_with == ("record_plays" if verdict == "confounded" else None)


def test_a_record_that_certainly_wears_takes_the_blame_alone():
    values = LINE - 8.0 * PLAYED["plays"] / 100.0 + SCATTER
    row = filled(values, changes=TOGETHER, **PLAYED)
    assert row.p_record_wear < 0.025
    assert row.verdict == "steady"


def test_a_trend_that_something_else_may_have_made_is_confounded():
    row = filled(LINE + SCATTER, changes=CERTAIN, plays=np.arange(float(N)))
    assert row.confounded_with == "record_plays"
    assert row.verdict == "confounded"


@pytest.mark.parametrize(("fall", "verdict"), [(3.0, "past_limit"), (1.9, "drifting")])
def test_a_limit_is_past_where_the_newest_figure_is_beyond_it_for_certain(fall, verdict):
    """The default limit of this figure is a fall by 2 dB from the baseline."""
    values = 1.0 - fall * (HOURS - 30.0) / 120.0 + 0.1 * SCATTER
    row = filled(values, changes=CERTAIN)
    assert row.limit_value == pytest.approx(row.baseline_value - 2.0)
    assert row.hours_at_limit == pytest.approx(30.0 + 120.0 * 2.0 / fall, rel=0.02)
    assert row.verdict == verdict


def test_a_limit_that_may_not_be_met_yet_is_not_past():
    """Beyond it by a hair, with an interval that reaches beyond the newest capture."""
    values = 1.0 - 2.01 * (HOURS - 30.0) / 120.0 + 2.0 * SCATTER
    row = filled(values, changes=CERTAIN)
    assert row.value_now < row.limit_value
    assert not row.hours_at_limit_high <= HOURS[-1]
    assert row.verdict == "drifting"


def test_of_several_limits_the_one_that_is_met_first_is_stated():
    settings = Settings(limits={study.METRIC: {"minimum": -5.0, "falls_by": 1.0}})
    row = filled(LINE + 0.1 * SCATTER, settings=settings, changes=CERTAIN)
    assert row.limit_value == pytest.approx(row.baseline_value - 1.0)
    none = filled(LINE + SCATTER, settings=Settings(limits={}), changes=CERTAIN)
    assert np.isnan(none.limit_value)
    assert np.isnan(none.hours_at_limit)
