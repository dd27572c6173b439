"""The first page: every stylus at a glance, what went wrong, and the way to every capture."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from grooveledger.report import page, words
from grooveledger.report.grids import rows_of

Row = Mapping[str, Any]

#: The index lists so many captures, the newest; older ones are on the page of their stylus.
CAPTURES_LISTED = 3000
#: So many captures with a reason are told in full.
TOLD = 40
#: A stylus's figures that move, so many at most.
MOVING = 4
#: Verdicts that ask for attention, the gravest first.
GRAVE = ("past_limit", "drifting")


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
    cards = [
        card({**row, "stylus": stylus}, states.get(stylus), drift, captures)
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
        scale=1000 / max(horizon_h, 1.0),
        horizon_h=horizon_h,
        captures=captures[:CAPTURES_LISTED],
        total=len(captures),
        statuses={
            status: sum(row["status"] == status for row in captures)
            for status in ("ok", "flagged", "rejected")
        },
        told=[row for row in captures if row["status"] == "rejected"][:TOLD]
        + [row for row in captures if row["status"] == "flagged"][:TOLD],
        advice=rows_of(tables / "advice.parquet"),
        cartridges=sorted({row["cartridge"] for row in captures}),
    )


def card(stylus: Row, state: Row | None, drift: Sequence[Row], captures: Sequence[Row]) -> Row:
    """Gather what the index says of one stylus; captures come newest first."""
    name = stylus["stylus"]
    own = [row for row in captures if row["stylus"] == name]
    hours = [row["stylus_hours"] for row in own if row["stylus_hours"] is not None]
    moving = [row for row in drift if row["stylus"] == name and row["verdict"] in GRAVE]
    moving.sort(key=lambda row: (GRAVE.index(row["verdict"]), _patience(row)))
    verdicts = {row["verdict"] for row in drift if row["stylus"] == name}
    state = state or {}
    hours_now = max(hours, default=0.0)
    due = [state.get("due_hours"), state.get("due_low"), state.get("due_high")]
    return {
        "stylus": name,
        "cartridge": stylus["cartridge"],
        "fitted_on": stylus.get("fitted_on"),
        "break_in_hours": stylus.get("break_in_hours"),
        "hours": hours,
        "hours_now": hours_now,
        "verdict": next(
            (verdict for verdict in (*GRAVE, "confounded", "steady") if verdict in verdicts),
            "too_few",
        ),
        "sentence": state.get("sentence") or "Nothing can be said of its drift yet.",
        "due": due,
        "due_metric": state.get("due_metric"),
        "moving": moving[:MOVING],
        "more_moving": max(0, len(moving) - MOVING),
        "newest": own[0] if own else None,
        "captures": len(own),
        # An interval's far end may lie anywhere; the scale shows three times the hours run at most.
        "edges": [min(edge, 3 * hours_now) for edge in (hours_now, *due) if edge is not None],
    }


def _patience(row: Row) -> float:
    """Hours at the limit; without end where there is none."""
    hours = row["hours_at_limit"]
    return float("inf") if hours is None else float(hours)


def urgency(item: Row) -> tuple[int, float, str]:
    """Order of the cards: past a limit, then drifting by the hours left, then the others."""
    due_hours = item["due"][0]
    left_h = float("inf") if due_hours is None else due_hours - item["hours_now"]
    rank = GRAVE.index(item["verdict"]) if item["verdict"] in GRAVE else len(GRAVE)
    return rank, left_h, item["stylus"]


def moves(row: Row) -> str:
    """Say how a figure moves: its slope and the interval of that."""
    slope = words.with_unit(row["slope_per_100h"], row["unit"], signed=True)
    low, high = (
        words.figure(row[name], row["unit"], signed=True) for name in ("slope_low", "slope_high")
    )
    channel = "" if row["channel"] == "both" else f", {row['channel']}"
    return f"{words.metric(row['metric'])}{channel}: {slope} per 100 h (95 %: {low} to {high})"
