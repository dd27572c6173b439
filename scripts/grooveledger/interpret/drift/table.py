"""The drift table: one row a stylus, metric and channel."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from grooveledger.interpret.drift import days, forecast, partners, pooling, rows
from grooveledger.interpret.drift.analysis import Analysis, analyse_archive
from grooveledger.interpret.drift.fits import Page
from grooveledger.interpret.drift.history import History
from grooveledger.interpret.drift.rows import DriftRow
from grooveledger.interpret.drift.settings import Settings
from grooveledger.schemas.interpret import DRIFT
from grooveledger.schemas.table import REAL, TEXT, WHOLE

#: What a data frame holds of a column of each type.
DTYPES = {TEXT: "object", WHOLE: "int32", REAL: "float64"}


def drift_table(
    metrics: pd.DataFrame,
    captures: pd.DataFrame,
    styli: pd.DataFrame,
    settings: Mapping[str, Any],
    analysis: Analysis | None = None,
) -> pd.DataFrame:
    """Say how each figure of each stylus moves with its hours.

    Parameters
    ----------
    metrics, captures, styli : pandas.DataFrame
        The tables and the sheet of those names.
    settings : mapping
        The configuration's drift block; missing keys have their defaults.
    analysis : Analysis, optional
        As `analyse_archive` makes it of these; made here where it is not given.

    Returns
    -------
    pandas.DataFrame
        The columns of the table `drift`, sorted by stylus, metric and channel. NaN or None is null.
    """
    found, pages, chosen = analysis or analyse_archive(metrics, captures, styli, settings)
    tables = {
        history.stylus: list(_rows(history, pages[history.stylus], chosen)) for history in found
    }
    partners.separate_record_wear(found, pages, tables, chosen)
    every = [row for of_stylus in tables.values() for row in of_stylus]
    pooling.pool_slopes(every)
    return _frame(every)


def _rows(history: History, page: Page, settings: Settings) -> Iterator[DriftRow]:
    """Yield the rows of one stylus in the order of its series."""
    hours = history.conditions.hours
    settled = hours >= page.settled_hours
    filled: dict[int, DriftRow] = {}
    for s, series in enumerate(history.series):
        measured = np.isfinite(history.values[s])
        used = measured & settled
        row = rows.bare_row(history.stylus, history.cartridge, series, hours[used])
        row.n_days = len(np.unique(history.day[used]))
        row.n_break_in = int(np.sum(measured & ~settled))
        row.n_limited = int(np.sum(history.limited[s]))
        row.track = history.tracks[s]
        row.break_in_hours = page.settled_hours
        sd = days.repeatability_sd(history.values[s : s + 1, used], history.cell[used])
        row.repeatability_sd = float(sd[0] if np.isfinite(sd[0]) else history.scatter[s])
        filled[s] = row
    for tested in page.tested:
        found = forecast.powers(tested)
        for i, s in enumerate(tested.fitted.group.members):
            step = float(history.resolution[s])
            rows.fill_row(filled[s], tested, i, page, found, settings, step)
    for s in sorted(filled):
        yield filled[s]


def _frame(filled: list[DriftRow]) -> pd.DataFrame:
    columns = {
        column.name: pd.Series(
            [getattr(row, column.name) for row in filled], dtype=DTYPES[column.type]
        )
        for column in DRIFT.columns
    }
    table = pd.DataFrame(columns)
    return table.sort_values(list(DRIFT.key), kind="stable", ignore_index=True)
