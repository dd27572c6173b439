"""The tables of a stylus's page: the drift of every figure, and its captures."""

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from grooveledger.report.cards import due_words, now, way_to_limit
from grooveledger.report.grids import Field, Grid, grid, link, tag, without_empty
from grooveledger.report.mentions import Linker
from grooveledger.schemas.states import MOVING
from grooveledger.vocabulary import metric_words, words

Row = Mapping[str, Any]


def drift_grid(drift: Sequence[Row], hours_now: float, captures: Sequence[Row]) -> Grid:
    """Write the drift of every figure: those that move first, by nearness to their limit."""

    def due(row: Row) -> Any:
        if row["verdict"] not in MOVING or row["hours_at_limit"] is None:
            return words.NONE
        when = due_words(row["hours_at_limit"], hours_now, captures) or words.NONE
        return _below(when, words.interval(*_hours_at_limit(row), "h"))

    # What decides comes first: it is in view on a small screen and on paper.
    fields = (
        Field("Figure", _figure, numeric=False),
        Field(
            "Verdict",
            lambda row: tag(row["verdict"], words.VERDICTS.get(row["verdict"])),
            numeric=False,
        ),
        Field("Due (95 %)", due, numeric=False),
        Field("Change per 100 h (95 %)", _slope),
        Field(
            "Record's part per 100 plays",
            lambda row: words.number(row["record_wear_per_100_plays"], 2, signed=True),
        ),
        Field("At the start", lambda row: words.figure(row["baseline_value"], row["unit"])),
        Field("Now", lambda row: words.figure(now(row), row["unit"])),
        Field("Limit", lambda row: words.figure(row["limit_value"], row["unit"])),
        Field(
            "Not separable from",
            lambda row: metric_words.covariates(row["confounded_with"]) or words.NONE,
            numeric=False,
        ),
        Field("Step at (h)", lambda row: _reported(row, "change_at_hours")),
        Field("Captures used", lambda row: words.number(row["n"], 0)),
        Field("Repeatability (sd)", lambda row: words.uncertainty(row["repeatability_sd"])),
        Field(
            "With others of its type",
            lambda row: words.number(row["slope_pooled_per_100h"], 2, signed=True),
        ),
    )
    rows = sorted(drift, key=_by_nearness)
    return without_empty(grid(rows, fields, moves=lambda row: row["verdict"] in MOVING))


def _by_nearness(row: Row) -> tuple[int, float, int, str]:
    rank = MOVING.index(row["verdict"]) if row["verdict"] in MOVING else len(MOVING)
    near = way_to_limit(row) if rank < len(MOVING) else 0.0
    return rank, -near, metric_words.order(row["metric"]), row["channel"]


def _reported(row: Row, column: str) -> str:
    return words.number(row[column], 0) if row["verdict"] in MOVING else words.NONE


def _hours_at_limit(row: Row) -> tuple[Any, Any]:
    return row["hours_at_limit_low"], row["hours_at_limit_high"]


def _slope(row: Row) -> Any:
    slope, low, high = words.slope(row)
    return slope if low == words.NONE else _below(slope, f"{low} to {high}")


def _below(first: str, second: str) -> Any:
    """Write two lines in one cell, the second one softly."""
    if second == words.NONE:
        return first
    return Markup('{} <br><span class="soft">{}</span>').format(first, second)


def _figure(row: Row) -> Any:
    """Write a figure's name with its channel and unit, linked to how it is measured."""
    method, shown = metric_words.method_page(row["metric"]), metric_words.metric(row["metric"])
    channel = metric_words.metric_of(row["metric"], row["channel"]).removeprefix(shown)
    name = link(f"../methods/{method}.html", shown) if method else shown
    unit = f" ({words.unit(row['unit'])})" if row["unit"] else ""
    return Markup("{}{}{}").format(name, channel, unit)


CAPTURE_FIELDS = (
    Field(
        "Capture",
        lambda row: link(f"../captures/{row['capture']}.html", row["capture"]),
        numeric=False,
    ),
    Field("Date", lambda row: words.day(row["captured_at"]), numeric=False),
    Field("Hours", lambda row: words.number(row["stylus_hours"], 1)),
    Field("Record", lambda row: row["record"], numeric=False),
    Field("Side", lambda row: row["side"], numeric=False),
    Field("Plays before", lambda row: words.number(row["record_plays"], 0)),
    Field("Chain", lambda row: row["chain"], numeric=False),
    Field("Status", lambda row: tag(row["status"]), numeric=False),
)


def captures_grid(captures: Sequence[Row], linked: Linker) -> Grid:
    """Write the captures of a stylus; `linked` links those that a reason names."""
    reason = Field(
        "Reason",
        lambda row: linked(row["reason"]) if row["reason"] else words.NONE,
        numeric=False,
    )
    return without_empty(grid(captures, (*CAPTURE_FIELDS, reason)))
