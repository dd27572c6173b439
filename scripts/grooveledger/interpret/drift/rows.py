"""One row of the drift table, filled from a fit."""

from typing import Any

import numpy as np

from grooveledger.interpret.drift import limits, robust
from grooveledger.interpret.drift.covariates import RECORD_PLAYS, TEMPERATURE
from grooveledger.interpret.drift.estimate import HOURS, SLOPE_HOURS, SeriesFit
from grooveledger.interpret.drift.settings import Settings
from grooveledger.schemas.interpret import DRIFT
from grooveledger.schemas.table import TEXT, WHOLE

#: A trend is one where it is less likely than this to arise without any.
SIGNIFICANCE = 1.0 - robust.CONFIDENCE
#: Where stylus and record share the blame, each gets its part only beyond this doubt.
BLAME_SIGNIFICANCE = 0.025

#: Columns of text and of whole numbers; all others are real.
TEXT_COLUMNS = frozenset(column.name for column in DRIFT.columns if column.type == TEXT)
WHOLE_COLUMNS = frozenset(column.name for column in DRIFT.columns if column.type == WHOLE)

Row = dict[str, Any]


def bare_row(stylus: str, cartridge: str, series: tuple[str, str, str], hours: np.ndarray) -> Row:
    """Return the row of a series that nothing is known of but its captures' hours."""
    metric, channel, unit = series
    row: Row = {name: None if name in TEXT_COLUMNS else np.nan for name in DRIFT.names}
    row.update(
        stylus=stylus,
        cartridge=cartridge,
        metric=metric,
        channel=channel,
        unit=unit,
        n=len(hours),
        n_odd=0,
        hours_first=hours[0] if len(hours) else np.nan,
        hours_last=hours[-1] if len(hours) else np.nan,
        verdict="too_few",
        change_doubtful=False,
        p_together=None,
        moves_with=None,
    )
    return row


def fill_trend(row: Row, fit: SeriesFit, hours: np.ndarray) -> None:
    """Fill in the slope; where a step may be chance the interval allows for both fits."""
    lows, highs = [], []
    for possible in fit.possible:
        slope = possible.coefficients[HOURS]
        error = np.sqrt(possible.covariance[HOURS, HOURS])
        reach = float(robust.quantile_t(possible.degrees_of_freedom)) * error
        lows.append(slope - reach)
        highs.append(slope + reach)
    row["baseline_value"] = fit.coefficients[0]
    row["change_doubtful"] = fit.without_step is not None
    row["slope_per_100h"] = fit.coefficients[HOURS]
    row["slope_low"], row["slope_high"] = min(lows), max(highs)
    row["p_trend"] = trend_probability(fit)
    row["residual_sd"] = fit.scatter_sd
    row["n_odd"] = int(np.sum(fit.weights == 0.0))
    if fit.step_index >= 0:
        row["change_at_hours"] = float(np.mean(hours[fit.step_index - 1 : fit.step_index + 1]))
        row["change_value"] = fit.coefficients[-1]


def trend_probability(fit: SeriesFit) -> float:
    """Return the probability of such a slope without a trend, by the more doubtful fit."""
    return max(column_probability(possible, HOURS) for possible in fit.possible)


def column_probability(fit: SeriesFit, column: int) -> float:
    """Return the probability of such a coefficient by chance alone."""
    estimate = fit.coefficients[column]
    error = float(np.sqrt(fit.covariance[column, column]))
    if error == 0.0:
        return 1.0 if estimate == 0.0 else 0.0
    return float(robust.two_sided_p(estimate / error, fit.degrees_of_freedom))


def blame_level(row: Row) -> float:
    """Return the probability below which a trend is the stylus's."""
    return BLAME_SIGNIFICANCE if np.isfinite(row["p_record_wear"]) else SIGNIFICANCE


def fill_covariates(row: Row, fit: SeriesFit, names: tuple[str, ...]) -> None:
    """Fill in what temperature and plays do; `names` tells the columns after the hours."""
    for column, name in enumerate(names, start=HOURS + 1):
        if name == TEMPERATURE:
            row["temperature_per_c"] = fit.coefficients[column]
        elif name == RECORD_PLAYS:
            wear = fit.coefficients[column]
            reach = float(robust.quantile_t(fit.degrees_of_freedom)) * np.sqrt(
                fit.covariance[column, column]
            )
            row["record_wear_per_100_plays"] = wear
            row["record_wear_low"], row["record_wear_high"] = wear - reach, wear + reach
            row["p_record_wear"] = column_probability(fit, column)


def fill_limit(row: Row, fit: SeriesFit, hours: np.ndarray, settings: Settings) -> None:
    """Fill in the limit that is met first, and whether the newest figure is beyond it."""
    row["passed"] = False
    rules = settings.limits.get(row["metric"])
    if not rules:
        return
    origin = row["baseline_hours"]
    found = [(limit, _meeting(row, fit, limit)) for limit in limits.limits_of(rules)]
    limit, meeting = min(found, key=lambda pair: _earliness(pair[1]))
    baseline = float(fit.coefficients[0])
    row["limit_value"] = limit.value(baseline)
    for name, place in (
        ("hours_at_limit", meeting.at),
        ("hours_at_limit_low", meeting.low),
        ("hours_at_limit_high", meeting.high),
    ):
        row[name] = np.nan if place is None else origin + SLOPE_HOURS * place
    stepped = fit.step_index >= 0
    newest = baseline + fit.coefficients[HOURS] * (hours[-1] - origin) / SLOPE_HOURS
    newest += fit.coefficients[-1] if stepped else 0.0
    certain = not limit.relative or stepped or row["p_trend"] < blame_level(row)
    row["passed"] = bool(certain and limit.passed(newest, baseline))


def _meeting(row: Row, fit: SeriesFit, limit: limits.Limit) -> limits.Crossing:
    """Return where a limit is met, its interval wide enough for every possible fit."""
    crossings = []
    for possible in fit.possible:
        stepped = possible.step_index >= 0
        parts = [0, HOURS, -1] if stepped else [0, HOURS]
        step_at = (row["change_at_hours"] - row["baseline_hours"]) / SLOPE_HOURS
        crossings.append(
            limits.crossing(
                limit,
                possible.coefficients[parts],
                possible.covariance[parts][:, parts],
                float(robust.quantile_t(possible.degrees_of_freedom)),
                step_at if stepped else None,
            )
        )
    lows = [crossing.low for crossing in crossings if crossing.low is not None]
    highs = [crossing.high for crossing in crossings if crossing.high is not None]
    return limits.Crossing(
        crossings[0].at,
        min(lows) if len(lows) == len(crossings) else None,
        max(highs) if len(highs) == len(crossings) else None,
    )


def _earliness(meeting: limits.Crossing) -> tuple[float, float]:
    return (
        np.inf if meeting.at is None else meeting.at,
        np.inf if meeting.low is None else meeting.low,
    )
