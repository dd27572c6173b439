"""The page of what moved between two sets of results."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from grooveledger.interpret.changes import Changes
from grooveledger.report import drawn, page
from grooveledger.report.choice import channel_curves
from grooveledger.report.grids import Field, Row, amount, grid, tag, text, whole
from grooveledger.report.pictures.overlay import AXES, overlay
from grooveledger.report.pictures.rows import Columns
from grooveledger.report.pictures.style import SERIES, Picture
from grooveledger.schemas.changes import CHANGED_FIGURES, CHANGED_METRICS, CHANGED_VERDICTS
from grooveledger.schemas.table import Table
from grooveledger.storage import data_frames
from grooveledger.vocabulary import metric_words, words

#: Rows of the table of worst cases, of changed verdicts, and pictures a kind of curve.
WORST_SHOWN, VERDICTS_SHOWN, CURVES_SHOWN = 25, 100, 3
TITLES = {"response": "Response", "separation": "Separation", "distortion": "Distortion"}


def _in_unit(column: str, head: str) -> Field:
    """Show a column of numbers in the unit that the row names, with a sign where it is a change."""

    def write(row: Row) -> str:
        return words.figure(row[column], row["unit"], signed="change" in column)

    return Field(head, write)


FIGURE = Field("Figure", lambda row: metric_words.metric(row["metric"]), numeric=False)
CHANNEL = text("channel", "Channel")
UNIT = Field("Unit", lambda row: words.unit(row["unit"]), numeric=False)
METRIC_FIELDS = (
    FIGURE,
    CHANNEL,
    UNIT,
    whole("n", "Captures"),
    whole("n_moved", "Moved"),
    whole("n_beyond", "Beyond repeatability"),
    _in_unit("median_change", "Median change"),
    _in_unit("largest_change", "Largest change"),
    text("largest_capture", "In capture"),
    _in_unit("repeatability_limit", "Repeatability limit"),
    whole("n_lost", "Lost"),
    whole("n_new", "New"),
)
WORST_FIELDS = (
    text("capture", "Capture"),
    FIGURE,
    CHANNEL,
    UNIT,
    _in_unit("value_before", "Before"),
    _in_unit("value_after", "After"),
    _in_unit("change", "Change"),
    amount("times", "Of the repeatability limit", "", signed=False),
)
VERDICT_FIELDS = (
    text("of", "Of"),
    text("kind", "What"),
    Field("Figure", lambda row: metric_words.quantity(row["figure"]) or words.NONE, numeric=False),
    CHANNEL,
    Field("Before", lambda row: tag(row["before"]), numeric=False),
    Field("After", lambda row: tag(row["after"]), numeric=False),
    text("reason", "Reason"),
)


def write(changes: Changes, before: Path, after: Path, names: tuple[str, str], path: Path) -> None:
    """Write the page, its pictures in a folder of its name beside it.

    Parameters
    ----------
    changes : Changes
        What moved.
    before, after : Path
        The two results folders, for their curves.
    names : tuple of str
        What the page calls the two.
    path : Path
        The page, two folders below the report's own parent.
    """
    figures = _rows(CHANGED_FIGURES, changes)
    metrics = sorted(
        (row for row in _rows(CHANGED_METRICS, changes) if _moves(row)),
        key=lambda row: (metric_words.order(row["metric"]), row["metric"], row["channel"]),
    )
    verdicts = _rows(CHANGED_VERDICTS, changes)
    moved = {row["capture"] for row in figures}
    beyond = {row["capture"] for row in figures if row["beyond"]}
    saved = drawn.pictures(
        _curves(changes.captures, before, after, names), path.with_name(path.stem)
    )
    page.write(
        "changes.html",
        path,
        depth=1,
        names=names,
        captures=len(changes.captures),
        moved=len(moved),
        beyond=len(beyond),
        unknown=sum(row["n_beyond"] is None for row in metrics),
        metrics=grid(metrics, METRIC_FIELDS),
        worst=grid(_worst(figures), WORST_FIELDS),
        verdicts=grid(verdicts[:VERDICTS_SHOWN], VERDICT_FIELDS),
        verdict_count=len(verdicts),
        pictures=saved,
    )


def _rows(table: Table, changes: Changes) -> list[dict[str, Any]]:
    frame = getattr(changes, table.name.removeprefix("changed_"))
    rows: list[dict[str, Any]] = data_frames.rows(table, frame).to_pylist()
    return rows


def _moves(row: Row) -> bool:
    return bool(row["n_moved"] or row["n_lost"] or row["n_new"])


def _worst(figures: Sequence[Row]) -> Sequence[Row]:
    """Largest changes against their repeatability; those without a limit by their part, after."""
    rows = []
    for row in figures:
        if row["change"] is None:
            continue
        limit = row["repeatability_limit"]
        rows.append({**row, "times": abs(row["change"]) / limit if limit else None})

    def size(row: Row) -> tuple[bool, float]:
        value = max(abs(row["value_before"]), abs(row["value_after"])) or 1.0
        known = row["times"] is not None
        return known, row["times"] if known else abs(row["change"]) / value

    return sorted(rows, key=size, reverse=True)[:WORST_SHOWN]


def _curves(
    captures: Sequence[str], before: Path, after: Path, names: tuple[str, str]
) -> Iterator[Picture]:
    """Draw the curves that moved most, earlier and new over one another."""
    for table, title in TITLES.items():
        found = []
        for capture in captures:
            old = channel_curves(before / "captures", capture, table)
            new = channel_curves(after / "captures", capture, table)
            for channel in old.keys() & new.keys():
                moved = apart(old[channel], new[channel], AXES[table][0])
                if moved > 0.0:
                    found.append((-moved, capture, channel, old[channel], new[channel]))
        found.sort(key=lambda item: item[:3])
        for _, capture, channel, earlier, newer in found[:CURVES_SHOWN]:
            yield overlay(
                f"{table}-{capture}-{channel}",
                f"{title} of {capture}, {channel} channel",
                table,
                [(names[0], earlier), (names[1], newer)],
                marks=SERIES,
            )


def apart(old: Columns, new: Columns, column: str) -> float:
    """Rms difference of two curves where both are, on the frequencies of the new one."""
    x, y = np.log(new["frequency_hz"]), new[column]
    other = np.log(old["frequency_hz"])
    inside = (x >= other.min()) & (x <= other.max())
    if not np.any(inside):
        return 0.0
    difference = y[inside] - np.interp(x[inside], other, old[column])
    return float(np.sqrt(np.mean(difference**2)))
