"""The drift table: one row a stylus, metric and channel."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from grooveledger.interpret.drift import covariates, partners, pooling, rows, sessions, verdicts
from grooveledger.interpret.drift.covariates import Model
from grooveledger.interpret.drift.estimate import HOURS, SeriesFit, fit_series
from grooveledger.interpret.drift.history import Group, History, groups, histories
from grooveledger.interpret.drift.rows import BLAME_SIGNIFICANCE, SIGNIFICANCE, Row
from grooveledger.interpret.drift.settings import Settings
from grooveledger.schemas.interpret import DRIFT

#: A baseline is read at the end of the break-in if it lies within this share of the observed hours
#: before the first capture; else at the first capture.
BASELINE_REACH = 0.25


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
        The columns of the table `drift`, sorted by stylus, metric and channel. NaN or None is null.
    """
    chosen = Settings.from_mapping(settings)
    found = histories(metrics, captures, styli)
    tables = {history.stylus: list(_rows(history, chosen)) for history in found}
    partners.separate_record_wear(found, tables, chosen)
    for of_stylus in tables.values():
        verdicts.judge(of_stylus)
    pooling.pool_slopes([row for of_stylus in tables.values() for row in of_stylus])
    return _frame([row for of_stylus in tables.values() for row in of_stylus])


def _rows(history: History, settings: Settings) -> Iterator[Row]:
    """Yield the rows of one stylus in the order of its series."""
    settled = history.after_break_in(settings.break_in_hours)
    filled: dict[int, Row] = {}
    for group in groups(history, settings.break_in_hours):
        filled.update(_group(history, settings, group))
    for s in sorted(filled):
        row = filled[s]
        measured = np.isfinite(history.values[s])
        row["n_break_in"] = int(np.sum(measured & ~settled))
        row["n_limited"] = int(np.sum(history.limited[s]))
        yield row


def _group(history: History, settings: Settings, group: Group) -> dict[int, Row]:
    """Return the rows of series that the same captures measured, by their place."""
    used, candidates, members = group
    conditions = history.conditions.take(used)
    hours, day, cell = conditions.hours, history.day[used], history.cell[used]
    values = history.values[list(members)][:, used]
    bare = [
        rows.bare_row(history.stylus, history.cartridge, history.series[s], hours) for s in members
    ]
    if len(hours) < settings.minimum_captures:
        all_count = np.ones(values.shape, dtype=bool)
        for row, sd in zip(bare, sessions.repeatability_sd(values, cell, all_count), strict=True):
            row["repeatability_sd"] = sd
        return dict(zip(members, bare, strict=True))
    model = covariates.choose_model(conditions, candidates, settings.variance_inflation_limit)
    origin = baseline_hours(hours, history.settled_hours(settings.break_in_hours))
    fits = fit_series(hours, day, model.columns, values, origin)
    counted = np.array([fit.weights > 0.0 for fit in fits])
    repeatability = sessions.repeatability_sd(values, cell, counted)
    for i, row in enumerate(bare):
        row["repeatability_sd"] = repeatability[i]
        row["baseline_hours"] = origin
        row["confounded_with"] = covariates.confounded_text(model.confounded)
        rows.fill_trend(row, fits[i], hours)
        rows.fill_covariates(row, fits[i], model.names)
        rows.fill_limit(row, fits[i], hours, settings)
        together = _moves_together(row, fits[i], model, hours, day, values[i], origin)
        row["p_together"], row["moves_with"] = together
    return dict(zip(members, bare, strict=True))


def _moves_together(
    row: Row,
    fit: SeriesFit,
    model: Model,
    hours: np.ndarray,
    day: np.ndarray,
    values: np.ndarray,
    origin: float,
) -> tuple[float | None, str | None]:
    """Tell whether a figure moves though neither hours nor a covariate does so beyond doubt.

    The model may hold both and still leave it open which of them acts.

    Returns
    -------
    p, name : float or None, str or None
        Of the trend without the covariate, where that trend is significant; and the covariate.
    """
    if row["p_trend"] < rows.blame_level(row):
        return None, None
    for name in sorted(set(model.names)):
        own = [column for column, of in enumerate(model.names, start=HOURS + 1) if of == name]
        chances = [rows.column_probability(fit, column) for column in own]
        if min(chances) * len(own) < BLAME_SIGNIFICANCE:
            continue
        others = [column for column, of in enumerate(model.names) if of != name]
        without = fit_series(hours, day, model.columns[:, others], values[None], origin)[0]
        p = rows.trend_probability(without)
        if p < SIGNIFICANCE:
            return p, name
    return None, None


def baseline_hours(hours: np.ndarray, settled_hours: float) -> float:
    """Return the hours at which the baseline is read."""
    reach = BASELINE_REACH * (hours[-1] - hours[0])
    return float(settled_hours if hours[0] - settled_hours <= reach else hours[0])


def _frame(filled: list[Row]) -> pd.DataFrame:
    columns = {}
    for name in DRIFT.names:
        whole = "int32" if name in rows.WHOLE_COLUMNS else "float64"
        kind = "object" if name in rows.TEXT_COLUMNS else whole
        columns[name] = pd.Series([row[name] for row in filled], dtype=kind)
    table = pd.DataFrame(columns)
    return table.sort_values(list(DRIFT.key), kind="stable", ignore_index=True)
