"""A stylus in a few facts, as the first page and its own page state them."""

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from grooveledger.schemas.states import MOVING, Verdict
from grooveledger.vocabulary import metric_words, words

Row = Mapping[str, Any]

#: Figures that move, listed for a stylus at most.
FIGURES_MOST = 4
#: An interval's far end may lie anywhere; the common scale shows this many times the hours run.
SCALE_REACH = 3
#: Two dated captures at least make a pace of play.
DATED = 2


def card(
    stylus: Row, state: Row, drift: Sequence[Row], captures: Sequence[Row], advice: Sequence[Row]
) -> Row:
    """Gather what a page states about one stylus.

    Parameters
    ----------
    stylus : mapping
        Its row of the sheet, with `stylus`.
    state : mapping
        Its row of the table `stylus_states`.
    drift, captures, advice : sequence of mapping
        Rows of the tables of those names, of this stylus or of all; captures newest first.
    """
    name = stylus["stylus"]
    own = [row for row in captures if row["stylus"] == name]
    figures = [row for row in drift if row["stylus"] == name]
    hours = [row["stylus_hours"] for row in own if row["stylus_hours"] is not None]
    moving = sorted((row for row in figures if row["verdict"] in MOVING), key=_pressing)
    hours_now = max(hours, default=0.0)
    deciding = deciding_figure(state, figures)
    due = [state[column] for column in ("due_hours", "due_low", "due_high")]
    if due[0] is None and deciding is not None and deciding["verdict"] == Verdict.PAST_LIMIT:
        # Nothing is due on a retired stylus, but when its limit was passed is known all the same.
        due = [deciding[f"hours_at_limit{end}"] for end in ("", "_low", "_high")]
    edges = [min(edge, SCALE_REACH * hours_now) for edge in (hours_now, *due) if edge is not None]
    steps = sorted(
        (row for row in advice if row["stylus"] == name), key=lambda row: row["priority"]
    )
    reached_h = max(hours_now, (deciding or {}).get("hours_last") or 0.0)
    return {
        **stylus,
        "hours": hours,
        "hours_now": hours_now,
        "verdict": state["verdict"],
        "sentence": state["sentence"],
        "retired": state.get("retired"),
        "why": " ".join(filter(None, (state.get("evidence"), state.get("elsewhere")))),
        "odd_captures": state.get("odd_captures"),
        "due": due,
        "due_metric": metric_words.metric_within(state["due_metric"])
        if state["due_metric"]
        else None,
        "due_words": due_words(due[0], reached_h, own),
        "decides": None if deciding is None else figures_of(deciding, reached_h),
        "deciding": deciding,
        "advice": state.get("recommendation") or (steps[0]["advice"] if steps else None),
        "moving": moving[:FIGURES_MOST],
        "more_moving": max(0, len(moving) - FIGURES_MOST),
        "newest": own[0] if own else None,
        "captures": len(own),
        "edges": edges,
    }


def deciding_figure(state: Row, figures: Sequence[Row]) -> Row | None:
    """Choose the figure that decides on a stylus: the one that is due first, else the nearest.

    Without one that is due, it is the figure that has gone the largest part of the way to its
    limit; None where no figure has a trend and a limit.
    """
    for row in figures:
        due = state["due_metric"], state["due_channel"]
        if (row["metric"], row["channel"]) == due:
            return row
    known = [row for row in figures if _way(row) is not None]
    return max(known, key=lambda row: _way(row) or 0.0, default=None)


def way_to_limit(row: Row) -> float:
    """Return the part of the way from start to limit that a figure has gone; 0 where unknown."""
    return _way(row) or 0.0


def _way(row: Row) -> float | None:
    if row["limit_value"] is None or row["baseline_value"] is None or now(row) is None:
        return None
    room = row["limit_value"] - row["baseline_value"]
    return ((now(row) or 0.0) - row["baseline_value"]) / room if room else None


def now(row: Row) -> float | None:
    """Return the value of a figure's line at its newest capture."""
    if row["baseline_value"] is None or row["slope_per_100h"] is None or row["hours_last"] is None:
        return None
    value = (
        row["baseline_value"]
        + row["slope_per_100h"] * (row["hours_last"] - row["baseline_hours"]) / 100
    )
    if row["change_at_hours"] is not None and row.get("change_value") is not None:
        value += row["change_value"]
    return float(value)


def figures_of(row: Row, hours_now: float) -> Row:
    """Write a figure's start, present value, limit and pace as a page shows them."""
    unit = row["unit"]
    slope, low, high = words.slope(row)
    change = words.change_unit(unit)
    return {
        "name": metric_words.metric(row["metric"]),
        "metric": row["metric"],
        "channel": row["channel"],
        "start": words.with_unit(row["baseline_value"], unit),
        "start_hours": words.with_unit(row["baseline_hours"], "h"),
        "now": words.with_unit(now(row), unit),
        "now_hours": words.with_unit(hours_now, "h"),
        "limit": words.with_unit(row["limit_value"], unit),
        "pace": f"{slope}\N{NO-BREAK SPACE}{change} per 100\N{NO-BREAK SPACE}h",
        "sure": f"{low} to {high}",
        "captures": row["n"],
    }


def due_words(due_h: float | None, hours_now: float, captures: Sequence[Row]) -> str | None:
    """Say when a stylus is due from where it is now, with the month where the pace gives one."""
    if due_h is None:
        return None
    away = words.with_unit(abs(due_h - hours_now), "h")
    when = month_at(due_h, captures)
    about = f" (about {when})" if when else ""
    if due_h <= hours_now:
        return f"was due {away} ago{about}"
    return f"due in {away}{about}"


def month_at(hours: float, captures: Sequence[Row]) -> str | None:
    """Return the month in which a stylus reaches some hours, from its captures' dates.

    Interpolated between captures; beyond the newest at the mean pace of all of them, for as long
    again as they span at most. None without dates.
    """
    dated = sorted(
        (row["stylus_hours"], datetime.date.fromisoformat(row["captured_at"][:10]).toordinal())
        for row in captures
        if row["captured_at"] and row["stylus_hours"] is not None
    )
    if len(dated) < DATED or dated[-1][0] <= dated[0][0]:
        return None
    run, day = (np.array(values, dtype=float) for values in zip(*dated, strict=True))
    at = float(np.interp(hours, run, day))
    if hours > run[-1]:
        at = day[-1] + (hours - run[-1]) * (day[-1] - day[0]) / (run[-1] - run[0])
        if at > 2 * day[-1] - day[0]:
            return None
    return words.month(datetime.date.fromordinal(round(at)).isoformat())


def _pressing(row: Row) -> tuple[int, float]:
    hours = row["hours_at_limit"]
    return MOVING.index(row["verdict"]), float("inf") if hours is None else float(hours)


def urgency(item: Row) -> tuple[int, float, str]:
    """Order of the styli: past a limit, drifting by the hours left, the others, retired ones."""
    due_hours = item["due"][0]
    left_h = float("inf") if due_hours is None else due_hours - item["hours_now"]
    rank = MOVING.index(item["verdict"]) if item["verdict"] in MOVING else len(MOVING)
    if item["retired"]:
        rank = len(MOVING) + 1
    return rank, left_h, item["stylus"]


def moves(row: Row) -> str:
    """Say how a figure moves: its slope and the interval of that."""
    slope, low, high = words.slope(row)
    unit = "\N{NO-BREAK SPACE}" + words.change_unit(row["unit"])
    cause = ", cause not separable" if row["verdict"] == Verdict.CONFOUNDED else ""
    return (
        f"{metric_words.metric_of(row['metric'], row['channel'])}: {slope}{unit} per 100 h "
        f"(95\N{NO-BREAK SPACE}%: {low} to {high}){cause}"
    )
