"""Which captures and curves stand for a stylus."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from grooveledger.report.pictures.frequency import lines_of
from grooveledger.report.pictures.rows import Columns
from grooveledger.schemas.states import Status
from grooveledger.storage import tables

Row = Mapping[str, Any]


def in_order_of_hours(captures: Iterable[Row], stylus: str) -> list[Row]:
    """Return a stylus's measured captures of known hours, fewest hours first."""
    own = [
        row
        for row in captures
        if row["stylus"] == stylus
        and row["status"] != Status.REJECTED
        and row["stylus_hours"] is not None
    ]

    def place(row: Row) -> tuple[float, str, str]:
        return row["stylus_hours"], row["captured_at"] or "", row["capture"]

    return sorted(own, key=place)


def settled(captures: Sequence[Row], break_in_hours: float) -> list[Row]:
    """Return the captures after break-in."""
    return [row for row in captures if row["stylus_hours"] >= break_in_hours]


def channel_curves(folder: Path, capture: str, table: str) -> dict[str, Columns]:
    """Return each channel's curve in a capture: of several tracks the first; bounds left out."""
    path = folder / capture / f"{table}.parquet"
    if not path.exists():
        return {}
    columns = tables.read_columns(path)
    kept = ~columns["limited"].astype(bool)
    columns = {name: values[kept] for name, values in columns.items()}
    if not len(columns["frequency_hz"]):
        return {}
    found: dict[str, Columns] = {}
    for _, channel, part in lines_of(columns):
        if len(np.unique(part["frequency_hz"])) > 1:
            found.setdefault(channel, part)
    return found


def first_with_curves(
    folder: Path, captures: Iterable[Row], table: str
) -> tuple[Row, dict[str, Columns]] | None:
    """Return the first of the captures that has curves of a table, and those."""
    for row in captures:
        if curves := channel_curves(folder, row["capture"], table):
            return row, curves
    return None
