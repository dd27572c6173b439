"""Styli and cartridges side by side, and against their data sheets."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from grooveledger.interpret.comparison import CURVE_COLUMNS, compared_captures, comparison_curves
from grooveledger.interpret.response_curves import responses
from grooveledger.report import choice, drawn, page
from grooveledger.report.chain_words import load_words
from grooveledger.report.grids import (
    Field,
    Grid,
    amount,
    grid,
    link,
    rows_of,
    tag,
    without_empty,
)
from grooveledger.report.pictures.overlay import overlay
from grooveledger.report.pictures.rows import Columns
from grooveledger.report.pictures.style import SERIES, Picture, signed
from grooveledger.schemas.states import Status
from grooveledger.storage import tables
from grooveledger.vocabulary import metric_words, words

Row = Mapping[str, Any]

#: Styli laid side by side at most, those captured last: more lines can't be distinguished.
STYLI_SHOWN = len(SERIES)
#: Beginning of the names of pictures of styli at the same age.
ALIKE = "same-age"
TABLES = (
    ("response", "Response, {} channel"),
    ("separation", "Separation, {} channel driven"),
    ("distortion", "Distortion, {} channel"),
)


def _thousands(row: Row, column: str) -> tuple[Any, str | None]:
    """Return a figure and its unit as people write them: loads in kilohms."""
    if row["unit"] != "ohm":
        return row[column], row["unit"]
    return None if row[column] is None else row[column] / 1000.0, "kohm"


def _rated_figure(row: Row) -> str:
    channel = "" if row["channel"] in (None, "both") else f", {row['channel']}"
    return f"{metric_words.quantity(row['quantity'])}{channel}"


# The verdict is in view on a narrow screen.
RATING_FIELDS = (
    Field("Rated figure", _rated_figure, numeric=False),
    Field(
        "Stylus",
        lambda row: (
            link(f"styli/{row['stylus']}.html", row["stylus"]) if row["stylus"] else words.NONE
        ),
        numeric=False,
    ),
    Field("Verdict", lambda row: tag(row["verdict"]), numeric=False),
    Field("Rated", lambda row: words.figure(*_thousands(row, "rated"))),
    Field(
        "Measured, with its standard uncertainty",
        lambda row: words.with_uncertainty(
            _thousands(row, "measured")[0], *_thousands(row, "uncertainty")
        ),
    ),
    Field("Unit", lambda row: words.unit(_thousands(row, "rated")[1]), numeric=False),
    Field("Note", lambda row: row["note"] or words.NONE, numeric=False),
    Field("Cartridge", lambda row: row["cartridge"], numeric=False),
)


def write(
    styli: Mapping[str, Row],
    chains: Mapping[str, Mapping[str, Any]],
    settings: Mapping[str, Any],
    tables_folder: Path,
    captures_folder: Path,
    path: Path,
) -> None:
    """Write the comparison.

    Parameters
    ----------
    styli : mapping
        The styli's rows of the sheet by id, with `break_in_hours`.
    chains : mapping
        The chains of the configuration by id, for their loads.
    settings : mapping
        `comparison_hours`: the hours after break-in that count as the same age.
    tables_folder, captures_folder : Path
        The archive-wide tables, and the folder of those of each capture.
    path : Path
        ``report/comparison.html``.
    """
    captures = rows_of(tables_folder / "captures.parquet")
    chosen = chosen_styli(styli, captures)
    histories = {
        name: newest_settled(captures, name, styli[name]["break_in_hours"] or 0.0)
        for name in chosen
    }
    rows = rows_of(tables_folder / "comparison.parquet")
    by_load = styli_by_load(rows, chains, chosen)
    # One stylus by itself compares with nothing.
    loads = [load for load in by_load if len(load.styli) > 1]
    lone = [load for load in by_load if len(load.styli) == 1]
    pictures = drawn.pictures(
        [
            *(item for load in loads for item in _alike(tables_folder, styli, load, settings)),
            *_now(captures_folder, histories),
        ],
        path.with_name(path.stem),
    )
    alike = [
        (
            load.words,
            [item for item in pictures if item["name"].startswith(f"{ALIKE}-{load.place}-")],
            _same_age(rows, load.styli),
        )
        for load in loads
    ]
    page.write(
        "comparison.html",
        path,
        depth=0,
        chosen=[(name, styli[name]["cartridge"], histories[name][1]) for name in chosen],
        left_out=len({row["stylus"] for row in captures}) - len(chosen),
        hours=settings["comparison_hours"],
        alike=alike,
        lone=[f"{load.styli[0]} ({load.words})" for load in lone],
        young=[name for name in chosen if all(name not in load.styli for load in by_load)],
        pictures=[item for item in pictures if not item["name"].startswith(ALIKE)],
        figures=_side_by_side(rows_of(tables_folder / "metrics.parquet"), histories),
        ratings=without_empty(
            grid(
                newest_ratings(rows_of(tables_folder / "ratings.parquet"), histories),
                RATING_FIELDS,
            )
        ),
    )


class SharedLoad(NamedTuple):
    """Styli that were captured at the same age under the same load."""

    place: int
    words: str
    styli: list[str]


def styli_by_load(
    rows: Sequence[Row], chains: Mapping[str, Mapping[str, Any]], chosen: Sequence[str]
) -> list[SharedLoad]:
    """Gather the styli that have figures at the same age by the load that they had then.

    One that was captured under several loads in that time stands by itself, and says so.
    """
    found: dict[tuple[str, str], list[str]] = {}
    for name in chosen:
        used = {
            chain
            for row in rows
            if row["stylus"] == name and row["value"] is not None
            for chain in (row["chains"] or "").split(", ")
            if chain in chains
        }
        loads = sorted({load_words(chains[chain]) for chain in used})
        if len(loads) > 1:
            found[f"several loads: {'; '.join(loads)}", name] = [name]
        elif loads:
            found.setdefault((loads[0], ""), []).append(name)
    return [
        SharedLoad(place, said, names) for place, ((said, _), names) in enumerate(found.items())
    ]


def chosen_styli(styli: Mapping[str, Row], captures: Sequence[Row]) -> list[str]:
    """Return the styli to lay side by side: of those with measured captures, the latest."""
    newest: dict[str, str] = {}
    for row in captures:
        if row["status"] != Status.REJECTED and row["stylus"] in styli:
            newest[row["stylus"]] = max(newest.get(row["stylus"], ""), row["captured_at"] or "")
    latest = sorted(newest, key=lambda name: (newest[name], name), reverse=True)[:STYLI_SHOWN]
    return sorted(latest, key=lambda name: (styli[name]["cartridge"], name))


def newest_settled(
    captures: Sequence[Row], stylus: str, break_in_hours: float
) -> tuple[list[Row], bool]:
    """Return captures after break-in, newest first; all of them and False where none is past it."""
    own = choice.in_order_of_hours(captures, stylus)
    settled = choice.settled(own, break_in_hours)
    return list(reversed(settled or own)), bool(settled)


def _alike(
    folder: Path, styli: Mapping[str, Row], load: SharedLoad, settings: Mapping[str, Any]
) -> Iterator[Picture]:
    """Draw the mean responses of the styli of a load over the same hours after break-in."""
    captures = tables.read(folder / "captures.parquet").to_pandas()
    sheet = pd.DataFrame(list(styli.values()))
    kept = compared_captures(captures, sheet, settings)["capture"]
    frame = comparison_curves(
        captures, responses(folder / "response.parquet", kept), sheet, settings
    )
    for channel in ("left", "right"):
        lines, marks = [], []
        for name, mark in zip(load.styli, SERIES, strict=False):
            own = frame[(frame["stylus"] == name) & (frame["channel"] == channel)]
            if len(own):
                columns = {column: own[column].to_numpy() for column in CURVE_COLUMNS}
                lines.append((name, columns))
                marks.append(mark)
        if lines:
            title = f"Response at the same age, {channel} channel"
            name = f"{ALIKE}-{load.place}-response-{channel}"
            yield signed(overlay(name, title, "response", lines, "", marks), load.words)


def _same_age(rows: Sequence[Row], chosen: Sequence[str]) -> Grid | None:
    """Arrange the mean figures over the same hours, a column a stylus."""
    found = {(row["metric"], row["channel"], row["stylus"]): row for row in rows}

    def written(cell: Row | None, unit: str) -> str:
        if cell is None or cell["value"] is None:
            return words.NONE
        return f"{words.figure(cell['value'], unit)} ({cell['n']})"

    return _columns_of_styli(found, chosen, written)


def newest_ratings(
    rows: Sequence[Row], histories: Mapping[str, tuple[Sequence[Row], bool]]
) -> list[Row]:
    """Keep, of each stylus, the newest rating of each quantity and channel."""
    age = {
        row["capture"]: place
        for captures, _ in histories.values()
        for place, row in enumerate(captures)
    }
    newest: dict[tuple[str, str, str], Row] = {}
    for row in sorted(rows, key=lambda row: age.get(row["capture"], 0)):
        if row["capture"] in age:
            newest.setdefault((row["stylus"], row["quantity"], row["channel"]), row)
    # A figure of all styli stands together.
    return [newest[key] for key in sorted(newest, key=lambda key: (key[1], key[2] or "", key[0]))]


def _now(folder: Path, histories: Mapping[str, tuple[Sequence[Row], bool]]) -> Iterator[Picture]:
    for table, title in TABLES:
        found = {
            name: curves[1]
            for name, (captures, _) in histories.items()
            if (curves := choice.first_with_curves(folder, captures, table))
        }
        for channel in ("left", "right"):
            lines: list[tuple[str, Columns]] = [
                (name, curves[channel]) for name, curves in found.items() if channel in curves
            ]
            if lines:
                # A stylus looks the same in every picture.
                marks = [SERIES[list(histories).index(name)] for name, _ in lines]
                yield overlay(f"{table}-{channel}", title.format(channel), table, lines, "", marks)


def _side_by_side(
    metrics: Sequence[Row], histories: Mapping[str, tuple[Sequence[Row], bool]]
) -> Grid | None:
    """Arrange each stylus's newest figure of every metric, a column a stylus."""
    place = {
        row["capture"]: (name, age)
        for name, (captures, _) in histories.items()
        for age, row in enumerate(captures)
    }
    newest: dict[tuple[str, str, str], tuple[tuple[int, float], Row]] = {}
    for row in metrics:
        if row["capture"] not in place or row["value"] is None:
            continue
        name, age = place[row["capture"]]
        cell = (row["metric"], row["channel"], name)
        position = row["track_position"]
        rank = (age, float("inf") if position is None else position)
        if cell not in newest or rank < newest[cell][0]:
            newest[cell] = (rank, row)
    return _columns_of_styli(
        {key: row for key, (_, row) in newest.items()},
        list(histories),
        lambda cell, unit: words.NONE if cell is None else amount("value", "", unit).write(cell),
    )


def _columns_of_styli(
    cells: Mapping[tuple[str, str, str], Row],
    chosen: Sequence[str],
    write: Callable[[Row | None, str], Any],
) -> Grid | None:
    """Arrange cells by (metric, channel, stylus): a line a figure, a column a stylus."""
    lines = sorted(
        {(metric, channel) for metric, channel, name in cells if name in chosen},
        key=lambda line: (metric_words.order(line[0]), *line),
    )
    body = []
    for metric, channel in lines:
        own = [cells.get((metric, channel, name)) for name in chosen]
        if all(cell is None or cell["value"] is None for cell in own):
            continue
        unit = next(cell["unit"] for cell in own if cell is not None)
        body.append(
            [
                metric_words.metric(metric),
                channel,
                words.unit(unit),
                *(write(cell, unit) for cell in own),
            ]
        )
    heads = [("Figure", False), ("Channel", False), ("Unit", False)]
    return without_empty(Grid([*heads, *((n, True) for n in chosen)], body)) if body else None
