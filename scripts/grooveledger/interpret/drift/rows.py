"""One row of the drift table, filled from a fit, and its verdict."""

from collections.abc import Sequence
from typing import Any

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
from grooveledger.schemas.interpret import DRIFT
from grooveledger.schemas.states import Verdict
from grooveledger.schemas.table import TEXT, WHOLE

#: Where stylus and record share the blame, the record is cleared or blamed beyond this doubt only.
BLAME_SIGNIFICANCE = 0.025

#: A sudden change is more than one of the steps that a figure comes in.
STEPS_AT_LEAST = 1.5

#: Columns of text and of whole numbers; all others are real.
TEXT_COLUMNS = frozenset(column.name for column in DRIFT.columns if column.type == TEXT)
WHOLE_COLUMNS = frozenset(column.name for column in DRIFT.columns if column.type == WHOLE)

Row = dict[str, Any]


def bare_row(stylus: str, cartridge: str, series: tuple[str, str, str], hours: Array) -> Row:
    """Return the row of a series of which only the hours of its captures are known."""
    metric, channel, unit = series
    row: Row = {name: None if name in TEXT_COLUMNS else np.nan for name in DRIFT.names}
    row.update(
        stylus=stylus,
        cartridge=cartridge,
        metric=metric,
        channel=channel,
        unit=unit,
        n=len(hours),
        n_days=0,
        n_odd=0,
        n_break_in=0,
        n_limited=0,
        hours_first=hours[0] if len(hours) else np.nan,
        hours_last=hours[-1] if len(hours) else np.nan,
        verdict=Verdict.TOO_FEW,
        group=str(METRICS[metric].group if metric in METRICS else Group.STYLUS),
    )
    return row


def fill_row(
    row: Row,
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
    row["n_days"], row["n_odd"] = len(hours), int(fitted.n_odd[i])
    row["baseline_hours"] = fitted.origin_hours
    row["serial_correlation"] = tested.correlation.strength
    row["p_curved"] = tested.p_curved[i]
    row["p_change"] = tested.p_change[i]
    level = float(np.median(values))
    row["least_change"] = sizes.least_change(row["metric"], level, settings.least_changes)
    row["confounded_with"] = covariates.confounded_text(fitted.model.confounded)
    fit, figure = tested.fit, i
    row["p_trend"], row["p_adjusted"] = tested.p_trend[i], tested.p_adjusted[i]
    slopes = _slope_interval(fit, i)
    can_be_told = tested.correlation.effective_days(len(hours)) >= EFFECTIVE_DAYS
    stepped = _stepped(row, tested, i, resolution)
    if stepped is not None:
        fit, figure, slopes, p_trend = stepped
        row["p_trend"] = p_trend
        row["p_adjusted"] = min(1.0, page.figures * p_trend)
    row["slope_per_100h"] = float(fit.coefficients[figure, HOURS])
    row["slope_low"], row["slope_high"] = slopes
    row["residual_sd"] = float(fit.scatter_sd[figure])
    row["baseline_value"] = float(fit.coefficients[figure, CONSTANT])
    span = (hours[-1] - hours[0]) / SLOPE_HOURS
    row["change_observed"] = row["slope_per_100h"] * span
    step = row["change_value"] if stepped is not None else 0.0
    since = (hours[-1] - fitted.origin_hours) / SLOPE_HOURS
    row["value_now"] = row["baseline_value"] + row["slope_per_100h"] * since + step
    _fill_covariates(row, fit, figure, tested)
    met = _meeting(row, fit, figure, tested, i, found, settings, stepped is not None)
    passed = met is not None and _fill_limit(row, met)
    if can_be_told:
        row["verdict"] = _verdict(row, tested.p_together[i], passed)


def fitted_values(tested: Tested, i: int, least_change: float, resolution: float) -> Array:
    """Return what the fit that the row states gives for each day, covariates and step included.

    Parameters
    ----------
    tested : Tested
    i : int
        The figure's place in its group.
    least_change, resolution : float
        The least change worth reporting, and the steps that the figure comes in by itself.
    """
    row: Row = {"least_change": least_change}
    stepped = _stepped(row, tested, i, resolution)
    design = tested.fitted.design
    if stepped is None:
        return np.asarray(design @ tested.fit.coefficients[i])
    *coefficients, height = stepped[0].coefficients[0]
    after = tested.fitted.hours > row["change_at_hours"]
    return np.asarray(design @ np.array(coefficients) + height * after)


def _slope_interval(fit: least_squares.Fit, figure: int) -> tuple[float, float]:
    slope = float(fit.coefficients[figure, HOURS])
    reach = float(least_squares.t_quantile(fit.degrees[figure]) * fit.error(HOURS)[figure])
    return slope - reach, slope + reach


def _stepped(
    row: Row, tested: Tested, i: int, resolution: float
) -> tuple[least_squares.Fit, int, tuple[float, float], float] | None:
    """Return the fit with a step, where there is one worth reporting.

    Its slope interval is that of all places where the step may lie.
    """
    fitted = tested.fitted
    can_be_told = tested.correlation.effective_days(len(fitted.hours)) >= EFFECTIVE_DAYS
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
    if abs(height) < max(row["least_change"], STEPS_AT_LEAST * resolution):
        return None
    lows, highs = zip(*(_slope_interval(fit, 0) for fit in fits.values()), strict=True)
    ratios = [
        float(fit.coefficients[0, HOURS] / max(float(fit.error(HOURS)[0]), 1e-300))
        for fit in fits.values()
    ]
    fit = fits[best]
    p_trend = max(float(least_squares.two_sided_p(t, fit.degrees[0])) for t in ratios)
    row["change_value"] = height
    row["change_at_hours"] = float(np.mean(fitted.hours[best - 1 : best + 1]))
    row["change_low_hours"] = float(fitted.hours[min(fits) - 1])
    row["change_high_hours"] = float(fitted.hours[max(fits)])
    return fit, 0, (min(lows), max(highs)), p_trend


def _fill_covariates(row: Row, fit: least_squares.Fit, figure: int, tested: Tested) -> None:
    """Fill in what temperature and plays do."""
    for column, name in enumerate(tested.fitted.model.names, start=HOURS + 1):
        effect = float(fit.coefficients[figure, column])
        if name == TEMPERATURE:
            row["temperature_per_c"] = effect
        elif name == RECORD_PLAYS:
            error = float(fit.error(column)[figure])
            fill_record_wear(row, effect, error, float(fit.degrees[figure]))
            row["record_part"] = effect * float(np.ptp(tested.fitted.design[:, column]))


def fill_record_wear(row: Row, effect: float, error: float, degrees: float) -> None:
    """Fill in what 100 plays of the record do, with its interval and probability."""
    reach = float(least_squares.t_quantile(degrees)) * error
    row["record_wear_per_100_plays"] = effect
    row["record_wear_low"], row["record_wear_high"] = effect - reach, effect + reach
    row["p_record_wear"] = float(
        least_squares.two_sided_p(effect / error if error > 0.0 else 0.0, degrees)
    )


def _meeting(
    row: Row,
    fit: least_squares.Fit,
    figure: int,
    tested: Tested,
    i: int,
    found: Sequence[Power],
    settings: Settings,
    stepped: bool,
) -> Forecast | None:
    """Return the limit that is met first, and when."""
    rules = settings.limits.get(row["metric"])
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
                (row["change_low_hours"], row["change_high_hours"]),
                float(fitted.hours[-1]),
            )
        else:
            met = forecast.meet(limit, found, i, tested)
        every.append(met)
    return min(every, key=lambda met: tuple(np.nan_to_num([met.at, met.low], nan=np.inf)))


def _fill_limit(row: Row, met: Forecast) -> bool:
    """Fill in a limit; return whether the newest figure is beyond it for certain."""
    row["limit_value"] = met.limit.value(row["baseline_value"])
    row["hours_at_limit"] = met.at
    row["hours_at_limit_low"], row["hours_at_limit_high"] = met.low, met.high
    beyond = met.limit.passed(row["value_now"], row["baseline_value"])
    return bool(beyond and met.high <= row["hours_last"])


def _verdict(row: Row, p_together: float, passed: bool) -> str:
    """Return the verdict; chance and size both count."""
    changed = np.isfinite(row["change_at_hours"])
    sized = abs(row["change_observed"]) >= row["least_change"]
    moves = sized and row["p_adjusted"] < TREND_ALARMS and row["change_observed"] != 0.0
    if passed and (moves or changed):
        return Verdict.PAST_LIMIT
    if moves:
        return Verdict.CONFOUNDED if row["confounded_with"] else Verdict.DRIFTING
    if sized and p_together < TREND_ALARMS and row["p_record_wear"] >= BLAME_SIGNIFICANCE:
        names = {RECORD_PLAYS, *covariates.named(row["confounded_with"])}
        row["confounded_with"] = covariates.confounded_text(sorted(names))
        return Verdict.CONFOUNDED
    return Verdict.STEADY
