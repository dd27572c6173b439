"""The drift table: one row a stylus, metric and channel."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from grooveledger.drift import covariates, limits, robust, sessions
from grooveledger.drift.covariates import RECORD_PLAYS, TEMPERATURE, Model
from grooveledger.drift.estimate import HOURS, SLOPE_HOURS, SeriesFit, fit_series
from grooveledger.drift.history import History, histories
from grooveledger.drift.settings import Settings

#: A trend is one where it is less likely than this to arise without any.
SIGNIFICANCE = 1.0 - robust.CONFIDENCE
#: A baseline is read at the end of the break-in if it lies within this share of the observed hours
#: before the first capture; else at the first capture.
BASELINE_REACH = 0.25

COLUMNS = (
    "stylus",
    "cartridge",
    "metric",
    "channel",
    "unit",
    "n",
    "hours_first",
    "hours_last",
    "baseline_value",
    "slope_per_100h",
    "slope_low",
    "slope_high",
    "p_trend",
    "residual_sd",
    "repeatability_sd",
    "change_at_hours",
    "limit_value",
    "hours_at_limit",
    "hours_at_limit_low",
    "hours_at_limit_high",
    "record_wear_per_100_plays",
    "temperature_per_c",
    "confounded_with",
    "verdict",
)
#: What was left out, and how the verdict came about.
EXTRA_COLUMNS = (
    "baseline_hours",
    "n_break_in",
    "n_odd",
    "n_limited",
    "change_value",
    "p_adjusted",
    "record_wear_low",
    "record_wear_high",
)
TEXT_COLUMNS = frozenset(
    {"stylus", "cartridge", "metric", "channel", "unit", "confounded_with", "verdict"}
)
WHOLE_COLUMNS = frozenset({"n", "n_break_in", "n_odd", "n_limited"})

Row = dict[str, Any]


def drift_table(
    metrics: pd.DataFrame,
    captures: pd.DataFrame,
    styli: pd.DataFrame,
    settings: Mapping[str, Any],
) -> pd.DataFrame:
    """Tell how each figure of each stylus moves with its hours.

    Parameters
    ----------
    metrics, captures, styli : pandas.DataFrame
        The tables and the sheet of those names.
    settings : mapping
        The configuration's drift block; missing keys have their defaults.

    Returns
    -------
    pandas.DataFrame
        `COLUMNS`, then `EXTRA_COLUMNS`; sorted by stylus, metric and channel. NaN or None is null.
    """
    chosen = Settings.from_mapping(settings)
    rows: list[Row] = []
    for history in histories(metrics, captures, styli):
        of_stylus = list(_rows(history, chosen))
        _judge(of_stylus)
        rows += of_stylus
    return _frame(rows)


def _rows(history: History, settings: Settings) -> Iterator[Row]:
    """Yield the rows of one stylus in the order of its series."""
    settled = history.after_break_in(settings.break_in_hours)
    groups: dict[tuple[bytes, frozenset[str]], list[int]] = {}
    used = np.isfinite(history.values) & settled[None, :]
    for s, (metric, _, _) in enumerate(history.series):
        groups.setdefault((used[s].tobytes(), covariates.plausible(metric)), []).append(s)
    rows: dict[int, Row] = {}
    for (_, candidates), members in groups.items():
        for s, row in _group(history, settings, used[members[0]], candidates, members):
            rows[s] = row
    for s in sorted(rows):
        row = rows[s]
        measured = np.isfinite(history.values[s])
        row["n_break_in"] = int(np.sum(measured & ~settled))
        row["n_limited"] = int(np.sum(history.limited[s]))
        yield row


def _group(
    history: History,
    settings: Settings,
    used: np.ndarray,
    candidates: frozenset[str],
    members: list[int],
) -> Iterator[tuple[int, Row]]:
    """Yield the rows of series that the same captures measured."""
    conditions = history.conditions.take(used)
    values = history.values[members][:, used]
    cell = history.cell[used]
    n = len(conditions.hours)
    if n < settings.minimum_captures:
        repeatability = sessions.repeatability_sd(values, cell, np.ones(values.shape, dtype=bool))
        for i, s in enumerate(members):
            row = _bare_row(history, s, conditions.hours)
            row["repeatability_sd"] = repeatability[i]
            yield s, row
        return
    model = covariates.choose_model(conditions, candidates, settings.variance_inflation_limit)
    origin = _baseline_hours(conditions.hours, history.settled_hours(settings.break_in_hours))
    fits = fit_series(conditions.hours, history.day[used], model.columns, values, origin)
    counted = np.array([fit.weights > 0.0 for fit in fits])
    repeatability = sessions.repeatability_sd(values, cell, counted)
    for i, s in enumerate(members):
        row = _bare_row(history, s, conditions.hours)
        row["repeatability_sd"] = repeatability[i]
        row["baseline_hours"] = origin
        row["confounded_with"] = covariates.confounded_text(model.confounded)
        _fill_trend(row, fits[i], conditions.hours)
        _fill_covariates(row, fits[i], model)
        _fill_limit(row, fits[i], conditions.hours, settings)
        yield s, row


def _baseline_hours(hours: np.ndarray, settled_hours: float) -> float:
    reach = BASELINE_REACH * (hours[-1] - hours[0])
    return float(settled_hours if hours[0] - settled_hours <= reach else hours[0])


def _bare_row(history: History, s: int, hours: np.ndarray) -> Row:
    metric, channel, unit = history.series[s]
    row: Row = {
        name: None if name in TEXT_COLUMNS else np.nan for name in (*COLUMNS, *EXTRA_COLUMNS)
    }
    row.update(
        stylus=history.stylus,
        cartridge=history.cartridge,
        metric=metric,
        channel=channel,
        unit=unit,
        n=len(hours),
        n_odd=0,
        hours_first=hours[0] if len(hours) else np.nan,
        hours_last=hours[-1] if len(hours) else np.nan,
        verdict="too_few",
    )
    return row


def _fill_trend(row: Row, fit: SeriesFit, hours: np.ndarray) -> None:
    """Fill in the slope; where a step may be chance the interval allows for both fits."""
    lows, highs, chances = [], [], []
    for possible in fit.possible:
        slope = possible.coefficients[HOURS]
        error = np.sqrt(possible.covariance[HOURS, HOURS])
        reach = float(robust.quantile_t(possible.degrees_of_freedom)) * error
        lows.append(slope - reach)
        highs.append(slope + reach)
        chances.append(_p(slope, error, possible.degrees_of_freedom))
    row["baseline_value"] = fit.coefficients[0]
    row["slope_per_100h"] = fit.coefficients[HOURS]
    row["slope_low"], row["slope_high"] = min(lows), max(highs)
    row["p_trend"] = max(chances)
    row["residual_sd"] = fit.scatter_sd
    row["n_odd"] = int(np.sum(fit.weights == 0.0))
    if fit.step_index >= 0:
        row["change_at_hours"] = float(np.mean(hours[fit.step_index - 1 : fit.step_index + 1]))
        row["change_value"] = fit.coefficients[-1]


def _p(estimate: float, error: float, degrees: float) -> float:
    if error == 0.0:
        return 1.0 if estimate == 0.0 else 0.0
    return float(robust.two_sided_p(estimate / error, degrees))


def _fill_covariates(row: Row, fit: SeriesFit, model: Model) -> None:
    for column, name in enumerate(model.names, start=HOURS + 1):
        if name == TEMPERATURE:
            row["temperature_per_c"] = fit.coefficients[column]
        elif name == RECORD_PLAYS:
            wear = fit.coefficients[column]
            reach = float(robust.quantile_t(fit.degrees_of_freedom)) * np.sqrt(
                fit.covariance[column, column]
            )
            row["record_wear_per_100_plays"] = wear
            row["record_wear_low"], row["record_wear_high"] = wear - reach, wear + reach


def _fill_limit(row: Row, fit: SeriesFit, hours: np.ndarray, settings: Settings) -> None:
    """Fill in the limit that is met first, and whether the newest figure is beyond it."""
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
    certain = not limit.relative or stepped or row["p_trend"] < SIGNIFICANCE
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


def _judge(rows: list[Row]) -> None:
    """Give each row its verdict; `p_adjusted` allows for the number of figures of the stylus.

    Benjamini & Hochberg (1995): of the figures called moving, one in twenty may be chance, however
    many are watched.
    """
    fitted = [row for row in rows if np.isfinite(row["p_trend"])]
    adjusted = adjust_p(np.array([row["p_trend"] for row in fitted]))
    for row, p in zip(fitted, adjusted, strict=True):
        row["p_adjusted"] = float(p)
        if row.get("passed", False):
            row["verdict"] = "past_limit"
        elif p >= SIGNIFICANCE:
            row["verdict"] = "steady"
        else:
            row["verdict"] = "confounded" if row["confounded_with"] else "drifting"


def adjust_p(p: np.ndarray) -> np.ndarray:
    """Return p values adjusted for the false discovery rate (Benjamini & Hochberg 1995)."""
    order = np.argsort(p, kind="stable")[::-1]
    scaled = p[order] * len(p) / np.arange(len(p), 0, -1)
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled), 1.0)
    return adjusted


def _frame(rows: list[Row]) -> pd.DataFrame:
    names = [*COLUMNS, *EXTRA_COLUMNS]
    table = pd.DataFrame({name: [row[name] for row in rows] for name in names})
    for name in names:
        if name in TEXT_COLUMNS:
            table[name] = table[name].astype(object)
        elif name in WHOLE_COLUMNS:
            table[name] = table[name].astype("int32")
        else:
            table[name] = table[name].astype(float)
    return table.sort_values(["stylus", "metric", "channel"], kind="stable", ignore_index=True)
