"""The first page: every stylus at a glance, what went wrong, and the way to every capture."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from grooveledger.report import page
from grooveledger.report.grids import rows_of
from grooveledger.vocabulary import metric_words, words

Row = Mapping[str, Any]

#: The index lists so many captures, the newest; older ones are on the page of their stylus.
CAPTURES_LISTED = 3000
#: So many captures with a reason are told in full.
TOLD = 40
#: A stylus's figures that move, so many at most.
MOVING = 4
#: Verdicts of figures that move, the gravest first.
MOVES = ("past_limit", "drifting", "confounded")


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
        card({**row, "stylus": stylus}, states[stylus], drift, captures)
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
        # The most telling for each stylus; the rest is on its page.
        advice=[row for row in rows_of(tables / "advice.parquet") if row["priority"] == 1],
        cartridges=sorted({row["cartridge"] for row in captures}),
    )


def card(stylus: Row, state: Row, drift: Sequence[Row], captures: Sequence[Row]) -> Row:
    """Gather what the index says of one stylus; captures come newest first."""
    own = [row for row in captures if row["stylus"] == stylus["stylus"]]
    hours = [row["stylus_hours"] for row in own if row["stylus_hours"] is not None]
    moving = [row for row in drift if row["stylus"] == stylus["stylus"] and row["verdict"] in MOVES]
    moving.sort(key=lambda row: (MOVES.index(row["verdict"]), _patience(row)))
    hours_now = max(hours, default=0.0)
    due = [state[name] for name in ("due_hours", "due_low", "due_high")]
    # An interval's far end may lie anywhere; the scale shows three times the hours run at most.
    edges = [min(edge, 3 * hours_now) for edge in (hours_now, *due) if edge is not None]
    return {
        **stylus,
        "hours": hours,
        "hours_now": hours_now,
        "verdict": state["verdict"],
        "sentence": state["sentence"],
        "due": due,
        "due_metric": metric_words.metric_within(state["due_metric"])
        if state["due_metric"]
        else None,
        "moving": moving[:MOVING],
        "more_moving": max(0, len(moving) - MOVING),
        "newest": own[0] if own else None,
        "captures": len(own),
        "edges": edges,
    }


def _patience(row: Row) -> float:
    """Hours at the limit; without end where there is none."""
    hours = row["hours_at_limit"]
    return float("inf") if hours is None else float(hours)


def urgency(item: Row) -> tuple[int, float, str]:
    """Order of the cards: past a limit, then drifting by the hours left, then the others."""
    due_hours = item["due"][0]
    left_h = float("inf") if due_hours is None else due_hours - item["hours_now"]
    rank = MOVES.index(item["verdict"]) if item["verdict"] in MOVES else len(MOVES)
    return rank, left_h, item["stylus"]


def moves(row: Row) -> str:
    """Say how a figure moves: its slope and the interval of that."""
    slope, low, high = words.slope(row)
    unit = "\N{NO-BREAK SPACE}" + words.unit(row["unit"])
    channel = "" if row["channel"] == "both" else f", {row['channel']}"
    cause = ", cause not separable" if row["verdict"] == "confounded" else ""
    return (
        f"{metric_words.metric(row['metric'])}{channel}: {slope}{unit} per 100 h "
        f"(95 %: {low} to {high}){cause}"
    )
