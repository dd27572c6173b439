"""One row of the drift table, filled from a fit, and its verdict."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift import covariates, forecast, least_squares, limits, sizes, steps
from grooveledger.interpret.drift.covariates import RECORD_PLAYS, TEMPERATURE
from grooveledger.interpret.drift.days import Array
from grooveledger.interpret.drift.fits import (
    CONSTANT,
    EFFECTIVE_DAYS,
    HOURS,
    SLOPE_HOURS,
    STEP_ALARMS,
    TREND_ALARMS,
    Page,
    Tested,
)
from grooveledger.interpret.drift.forecast import Forecast, Power
from grooveledger.interpret.drift.settings import Settings
from grooveledger.measure.declaration import Group
from grooveledger.measure.quantities import METRICS
from grooveledger.schemas.states import Verdict

#: Where stylus and record share the blame, the record is cleared or blamed beyond this doubt only.
BLAME_SIGNIFICANCE = 0.025

#: A sudden change is more than one of the steps that a figure comes in.
STEPS_AT_LEAST = 1.5

#: A number that is not there, as data frames have it.
NULL = float("nan")


@dataclass(slots=True)
class DriftRow:
    """One row of the table `drift`, filled in a step at a time; the schema says what each means."""

    stylus: str
    cartridge: str
    metric: str
    channel: str
    unit: str
    group: str
    track: str | None = None
    verdict: Verdict = Verdict.TOO_FEW
    n: int = 0
    n_days: int = 0
    n_odd: int = 0
    n_break_in: int = 0
    n_limited: int = 0
    hours_first: float = NULL
    hours_last: float = NULL
    break_in_hours: float = NULL
    baseline_hours: float = NULL
    baseline_value: float = NULL
    value_now: float = NULL
    slope_per_100h: float = NULL
    slope_low: float = NULL
    slope_high: float = NULL
    slope_pooled_per_100h: float = NULL
    slope_pooled_low: float = NULL
    slope_pooled_high: float = NULL
    change_observed: float = NULL
    least_change: float = NULL
    p_trend: float = NULL
    p_adjusted: float = NULL
    p_curved: float = NULL
    residual_sd: float = NULL
    repeatability_sd: float = NULL
    serial_correlation: float = NULL
    change_value: float = NULL
    change_at_hours: float = NULL
    change_low_hours: float = NULL
    change_high_hours: float = NULL
    p_change: float = NULL
    limit_value: float = NULL
    hours_at_limit: float = NULL
    hours_at_limit_low: float = NULL
    hours_at_limit_high: float = NULL
    record_wear_per_100_plays: float = NULL
    record_wear_low: float = NULL
    record_wear_high: float = NULL
    p_record_wear: float = NULL
    record_part: float = NULL
    temperature_per_c: float = NULL
    confounded_with: str | None = None
    separated_by: str | None = None


class Step(NamedTuple):
    """A fit with a step: where it may lie, how high it is, and what it leaves of the slope.

    `slopes` is the interval of the slope over all places where the step may lie.
    """

    fit: least_squares.Fit
    slopes: tuple[float, float]
    p_trend: float
    height: float
    at_hours: float
    low_hours: float
    high_hours: float


def bare_row(stylus: str, cartridge: str, series: tuple[str, str, str], hours: Array) -> DriftRow:
    """Return the row of a series of which only the hours of its captures are known."""
    metric, channel, unit = series
    row = DriftRow(
        stylus=stylus,
        cartridge=cartridge,
        metric=metric,
        channel=channel,
        unit=unit,
        group=str(METRICS[metric].group if metric in METRICS else Group.STYLUS),
        n=len(hours),
    )
    if len(hours):
        row.hours_first, row.hours_last = float(hours[0]), float(hours[-1])
    return row


def fill_row(
    row: DriftRow,
    tested: Tested,
    i: int,
    page: Page,
    found: Sequence[Power],
    settings: Settings,
    resolution: float = 0.0,
) -> None:
    """Fill in trend, change, covariates, limit and verdict of figure `i` of a group.

    `resolution` are the steps that the figure comes in by itself.
    """
    fitted = tested.fitted
    values, hours = fitted.values[i], fitted.hours
    row.n_days, row.n_odd = len(hours), int(fitted.n_odd[i])
    row.baseline_hours = fitted.origin_hours
    row.serial_correlation = tested.scatter.correlation.strength
    row.p_curved = tested.p_curved[i]
    row.p_change = tested.p_change[i]
    level = float(np.median(values))
    row.least_change = sizes.least_change(row.metric, level, settings.least_changes)
    row.confounded_with = covariates.confounded_text(fitted.model.confounded)
    fit, figure = tested.fit, i
    row.p_trend, row.p_adjusted = tested.p_trend[i], tested.p_adjusted[i]
    slopes = _slope_interval(fit, i)
    can_be_told = tested.scatter.correlation.effective_days(len(hours)) >= EFFECTIVE_DAYS
    step = _step(tested, i, row.least_change, resolution)
    if step is not None:
        fit, figure, slopes = step.fit, 0, step.slopes
        row.p_trend = step.p_trend
        row.p_adjusted = min(1.0, page.figures * step.p_trend)
        row.change_value, row.change_at_hours = step.height, step.at_hours
        row.change_low_hours, row.change_high_hours = step.low_hours, step.high_hours
    row.slope_per_100h = float(fit.coefficients[figure, HOURS])
    row.slope_low, row.slope_high = slopes
    row.residual_sd = float(fit.scatter_sd[figure])
    row.baseline_value = float(fit.coefficients[figure, CONSTANT])
    span = (hours[-1] - hours[0]) / SLOPE_HOURS
    row.change_observed = row.slope_per_100h * span
    height = step.height if step is not None else 0.0
    since = (hours[-1] - fitted.origin_hours) / SLOPE_HOURS
    row.value_now = row.baseline_value + row.slope_per_100h * since + height
    _fill_covariates(row, fit, figure, tested)
    met = _meeting(row, fit, figure, tested, i, found, settings, step is not None)
    passed = met is not None and _fill_limit(row, met)
    if can_be_told:
        row.verdict = _verdict(row, tested.p_together[i], passed)


def fitted_values(tested: Tested, i: int, least_change: float, resolution: float) -> Array:
    """Return what the fit that the row states gives for each day, covariates and step included.

    Parameters
    ----------
    tested : Tested
    i : int
        The figure's place in its group.
    least_change, resolution : float
        The least change worth reporting, and the steps in which the figure comes by itself.
    """
    step = _step(tested, i, least_change, resolution)
    design = tested.fitted.design
    if step is None:
        return design @ tested.fit.coefficients[i]
    *coefficients, height = step.fit.coefficients[0]
    after = tested.fitted.hours > step.at_hours
    return design @ np.array(coefficients) + height * after


def _slope_interval(fit: least_squares.Fit, figure: int) -> tuple[float, float]:
    slope = float(fit.coefficients[figure, HOURS])
    reach = float(least_squares.t_quantile(fit.degrees[figure]) * fit.error(HOURS)[figure])
    return slope - reach, slope + reach


def _step(tested: Tested, i: int, least_change: float, resolution: float) -> Step | None:
    """Return the fit with a step, where there is one worth reporting."""
    fitted = tested.fitted
    can_be_told = tested.scatter.correlation.effective_days(len(fitted.hours)) >= EFFECTIVE_DAYS
    if not can_be_told or tested.p_change[i] >= STEP_ALARMS:
        return None
    first_after = steps.places(fitted.hours)
    after = (np.arange(len(fitted.hours))[:, None] >= first_after).astype(float)
    design, columns = tested.white(fitted.design), tested.white(after)
    values = tested.white_values[i]
    possible = steps.possible_places(design, columns, first_after, values)
    fits = {
        int(place): least_squares.fit(
            np.column_stack([design, columns[:, first_after == place]]),
            values[None],
            fitted.n_odd[i : i + 1],
        )
        for place in possible
    }
    best = min(fits, key=lambda place: (float(fits[place].scatter_sd[0]), place))
    height = float(fits[best].coefficients[0, -1])
    # A figure that comes in steps changes by one whenever it changes at all.
    if abs(height) < max(least_change, STEPS_AT_LEAST * resolution):
        return None
    lows, highs = zip(*(_slope_interval(fit, 0) for fit in fits.values()), strict=True)
    ratios = [
        float(fit.coefficients[0, HOURS] / max(float(fit.error(HOURS)[0]), 1e-300))
        for fit in fits.values()
    ]
    return Step(
        fit=fits[best],
        slopes=(min(lows), max(highs)),
        p_trend=max(float(least_squares.two_sided_p(t, fits[best].degrees[0])) for t in ratios),
        height=height,
        at_hours=float(np.mean(fitted.hours[best - 1 : best + 1])),
        low_hours=float(fitted.hours[min(fits) - 1]),
        high_hours=float(fitted.hours[max(fits)]),
    )


def _fill_covariates(row: DriftRow, fit: least_squares.Fit, figure: int, tested: Tested) -> None:
    """Fill in what temperature and plays do."""
    for column, name in enumerate(tested.fitted.model.names, start=HOURS + 1):
        effect = float(fit.coefficients[figure, column])
        if name == TEMPERATURE:
            row.temperature_per_c = effect
        elif name == RECORD_PLAYS:
            error = float(fit.error(column)[figure])
            fill_record_wear(row, effect, error, float(fit.degrees[figure]))
            row.record_part = effect * float(np.ptp(tested.fitted.design[:, column]))


def fill_record_wear(row: DriftRow, effect: float, error: float, degrees: float) -> None:
    """Fill in what 100 plays of the record do, with its interval and probability."""
    reach = float(least_squares.t_quantile(degrees)) * error
    row.record_wear_per_100_plays = effect
    row.record_wear_low, row.record_wear_high = effect - reach, effect + reach
    row.p_record_wear = float(
        least_squares.two_sided_p(effect / error if error > 0.0 else 0.0, degrees)
    )


def _meeting(
    row: DriftRow,
    fit: least_squares.Fit,
    figure: int,
    tested: Tested,
    i: int,
    found: Sequence[Power],
    settings: Settings,
    stepped: bool,
) -> Forecast | None:
    """Return the limit that is met first, and when."""
    rules = settings.limits.get(row.metric)
    if not rules:
        return None
    fitted = tested.fitted
    every = []
    for limit in limits.limits_of(rules):
        if stepped:
            parts = [CONSTANT, HOURS, -1]
            met = forecast.after_step(
                limit,
                fit.coefficients[figure][parts],
                fit.covariance(figure)[parts][:, parts],
                float(fit.degrees[figure]),
                fitted.origin_hours,
                (row.change_low_hours, row.change_high_hours),
                float(fitted.hours[-1]),
            )
        else:
            met = forecast.meet(limit, found, i, tested)
        every.append(met)
    return min(every, key=lambda met: tuple(np.nan_to_num([met.at, met.low], nan=np.inf)))


def _fill_limit(row: DriftRow, met: Forecast) -> bool:
    """Fill in a limit; return whether the newest figure is beyond it for certain."""
    row.limit_value = met.limit.value(row.baseline_value)
    row.hours_at_limit = met.at
    row.hours_at_limit_low, row.hours_at_limit_high = met.low, met.high
    beyond = met.limit.passed(row.value_now, row.baseline_value)
    return bool(beyond and met.high <= row.hours_last)


def _verdict(row: DriftRow, p_together: float, passed: bool) -> Verdict:
    """Return the verdict; chance and size both count."""
    changed = np.isfinite(row.change_at_hours)
    sized = abs(row.change_observed) >= row.least_change
    moves = sized and row.p_adjusted < TREND_ALARMS and row.change_observed != 0.0
    if passed and (moves or changed):
        return Verdict.PAST_LIMIT
    if moves:
        return Verdict.CONFOUNDED if row.confounded_with else Verdict.DRIFTING
    if sized and p_together < TREND_ALARMS and row.p_record_wear >= BLAME_SIGNIFICANCE:
        names = {RECORD_PLAYS, *covariates.named(row.confounded_with)}
        row.confounded_with = covariates.confounded_text(sorted(names))
        return Verdict.CONFOUNDED
    return Verdict.STEADY
