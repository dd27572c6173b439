"""The page of what moved between two sets of results."""

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from grooveledger.configuration.described import Difference
from grooveledger.interpret.changes import ROUNDING, Changes
from grooveledger.report import drawn, page
from grooveledger.report.choice import channel_curves
from grooveledger.report.grids import (
    Field,
    Row,
    amount,
    grid,
    link,
    tag,
    text,
    whole,
    without_empty,
)
from grooveledger.report.mentions import linker
from grooveledger.report.pictures.overlay import AXES, overlay
from grooveledger.report.pictures.rows import Columns
from grooveledger.report.pictures.style import SERIES, Picture
from grooveledger.schemas.changes import CHANGED_FIGURES, CHANGED_METRICS, CHANGED_VERDICTS
from grooveledger.schemas.table import Table
from grooveledger.storage import data_frames
from grooveledger.vocabulary import metric_words, words

#: Rows of the table of worst cases, of changed verdicts, and pictures a kind of curve.
WORST_SHOWN, VERDICTS_SHOWN, CURVES_SHOWN = 25, 100, 3
#: Differences of the configuration that are listed.
DIFFERENCES_SHOWN = 40
TITLES = {"response": "Response", "separation": "Separation", "distortion": "Distortion"}


def _in_unit(column: str, head: str, size: str = "") -> Field:
    """Show a column of numbers in the unit that the row names, with a sign where it is a change.

    With as many decimals as show the row's `size`, the column itself by default: a change that is
    small is not written as none.
    """

    def write(row: Row) -> str:
        least = row[size or column]
        shown = abs(least) if least is not None and math.isfinite(least) else 0.0
        places = words.places_for(shown or None, row["unit"])
        return words.number(row[column], places, signed="change" in column)

    return Field(head, write)


def _linked(capture: str | None) -> Any:
    return link(f"../captures/{capture}.html", capture) if capture else words.NONE


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
    Field("In capture", lambda row: _linked(row["largest_capture"]), numeric=False),
    _in_unit("repeatability_limit", "Repeatability limit"),
    whole("n_lost", "Lost"),
    whole("n_new", "New"),
)
WORST_FIELDS = (
    Field("Capture", lambda row: _linked(row["capture"]), numeric=False),
    FIGURE,
    CHANNEL,
    UNIT,
    _in_unit("value_before", "Before", "change"),
    _in_unit("value_after", "After", "change"),
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


def write(
    changes: Changes,
    before: Path,
    after: Path,
    names: tuple[str, str],
    path: Path,
    configuration: Sequence[Difference] | None = None,
) -> None:
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
    configuration : sequence of Difference or None
        What changed in the configuration; None where that is unknown.
    """
    figures = _rows(CHANGED_FIGURES, changes)
    metrics = sorted(
        (row for row in _rows(CHANGED_METRICS, changes) if _moves(row)),
        key=lambda row: (
            -(row["n_beyond"] or 0),
            row["n_beyond"] is not None,
            metric_words.order(row["metric"]),
            row["channel"],
        ),
    )
    verdicts = _rows(CHANGED_VERDICTS, changes)
    saved = drawn.pictures(
        _curves(changes.captures, before, after, names), path.with_name(path.stem)
    )
    page.write(
        "changes.html",
        path,
        depth=1,
        names=names,
        headline=headline(changes),
        linked=linker(changes.captures, "../"),
        configuration=None if configuration is None else configuration[:DIFFERENCES_SHOWN],
        more=max(0, len(configuration or ()) - DIFFERENCES_SHOWN),
        metrics=without_empty(grid(metrics, METRIC_FIELDS, lambda row: bool(row["n_beyond"]))),
        worst=without_empty(grid(_worst(figures), WORST_FIELDS)),
        verdicts=without_empty(grid(verdicts[:VERDICTS_SHOWN], VERDICT_FIELDS)),
        verdict_count=len(verdicts),
        pictures=saved,
    )


def headline(changes: Changes) -> str:
    """Say in a sentence or two what moved, and what of it is more than captures repeat."""
    figures, count = changes.figures, len(changes.captures)
    if not len(figures):
        said = f"No figure moved in the {_counted(count, 'capture')} that both sets have."
    else:
        moved = figures["capture"].nunique()
        said = (
            f"Of the {_counted(count, 'capture')} that both sets have, figures of {moved} moved. "
            f"{_beyond(figures)}"
        )
    verdicts = len(changes.verdicts)
    return f"{said} {_counted(verdicts, 'verdict')} changed." if verdicts else said


def _beyond(figures: pd.DataFrame) -> str:
    """Say how much of what moved is beyond repeatability, and what moved furthest."""
    sure = figures[figures["beyond"].eq(True)]
    unknown = figures[figures["beyond"].isna() & figures["change"].notna()]
    parts = []
    if len(sure):
        times = sure["change"].abs() / sure["repeatability_limit"]
        most = sure.assign(times=times).nlargest(1, "times").to_dict("records")[0]
        parts.append(
            f"In {_counted(sure['capture'].nunique(), 'capture')} a figure moved by more than two "
            f"playings differ, most of all {metric_words.metric_within(most['metric'])} of "
            f"{most['capture']}, by {most['times']:.1f} times that."
        )
    elif len(figures) > len(unknown):
        parts.append("None moved by more than two playings differ.")
    if len(unknown):
        parts.append(
            f"For {_counted(len(unknown), 'figure')} it is unknown what two playings differ by."
        )
    return " ".join(parts)


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _rows(table: Table, changes: Changes) -> list[dict[str, Any]]:
    frame = getattr(changes, table.name.removeprefix("changed_"))
    rows: list[dict[str, Any]] = data_frames.rows(table, frame).to_pylist()
    return rows


def _moves(row: Row) -> bool:
    return bool(row["n_moved"] or row["n_lost"] or row["n_new"])


def _worst(figures: Sequence[Row]) -> Sequence[Row]:
    """Return the largest changes relative to repeatability, then those without a limit."""
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
                column = AXES[table][0]
                moved = apart(old[channel], new[channel], column)
                if moved > ROUNDING * np.nanmax(np.abs(new[channel][column])):
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
    """Return the rms difference of two curves where both are, on the frequencies of the new one."""
    x, y = np.log(new["frequency_hz"]), new[column]
    other = np.log(old["frequency_hz"])
    inside = (x >= other.min()) & (x <= other.max())
    if not np.any(inside):
        return 0.0
    difference = y[inside] - np.interp(x[inside], other, old[column])
    return float(np.sqrt(np.mean(difference**2)))
