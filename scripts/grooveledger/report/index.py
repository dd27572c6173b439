"""The first page: every stylus at a glance, what went wrong, and the way to every capture."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from grooveledger.report import page
from grooveledger.report.cards import card, moves, urgency
from grooveledger.report.grids import rows_of
from grooveledger.report.mentions import linker
from grooveledger.schemas.states import Status

Row = Mapping[str, Any]

#: The index lists this many captures, the newest; older ones are on the page of their stylus.
CAPTURES_LISTED = 3000
#: This many captures with a reason are listed in full.
REASONS = 40


def write(tables: Path, path: Path, styli: Mapping[str, Row]) -> None:
    """Write the index.

    Parameters
    ----------
    tables : Path
        The archive-wide tables.
    path : Path
        ``report/index.html``.
    styli : mapping
        The styli's rows of the sheet by id: cartridge, fitted_on, break_in_hours.
    """
    captures = sorted(
        rows_of(tables / "captures.parquet"),
        key=lambda row: (row["captured_at"] or "", row["capture"]),
        reverse=True,
    )
    states = {row["stylus"]: row for row in rows_of(tables / "stylus_states.parquet")}
    drift = rows_of(tables / "drift.parquet")
    advice = rows_of(tables / "advice.parquet")
    cards = [
        card({**row, "stylus": stylus}, states[stylus], drift, captures, advice)
        for stylus, row in styli.items()
        if any(capture["stylus"] == stylus for capture in captures)
    ]
    cards.sort(key=urgency)
    horizon_h = max((edge for item in cards for edge in item["edges"]), default=0.0)
    page.write(
        "index.html",
        path,
        depth=0,
        cards=cards,
        moves=moves,
        linked=linker({row["capture"] for row in captures}),
        scale=1000 / max(horizon_h, 1.0),
        horizon_h=horizon_h,
        captures=captures[:CAPTURES_LISTED],
        total=len(captures),
        statuses={status: sum(row["status"] == status for row in captures) for status in Status},
        attention=[row for row in captures if row["status"] == Status.REJECTED][:REASONS]
        + [row for row in captures if row["status"] == Status.FLAGGED][:REASONS],
        cartridges=sorted({row["cartridge"] for row in captures}),
    )
