"""The pictures of a stylus: its life in curves, its trends, and what the newest capture changed."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from grooveledger.measure.declaration import Group
from grooveledger.report import choice
from grooveledger.report.cards import way_to_limit
from grooveledger.report.curve_changes import IN_COMMON, curve_change, is_alike, played
from grooveledger.report.curve_changes import note as band_note
from grooveledger.report.pictures.control import control
from grooveledger.report.pictures.frequency import Extent, extent
from grooveledger.report.pictures.overlay import AXES, difference, overlay
from grooveledger.report.pictures.rows import Columns, where
from grooveledger.report.pictures.style import AGES, Mark, Picture
from grooveledger.report.pictures.trend import trend
from grooveledger.schemas.states import MOVING
from grooveledger.vocabulary import metric_words

Row = Mapping[str, Any]
Found = tuple[Row, dict[str, Columns]]

#: Curves compared over a stylus's life: table, title.
LIFE_CURVES = (
    ("response", "Frequency response"),
    ("separation", "Channel separation"),
    ("distortion", "Harmonic distortion"),
)
CHANNELS = ("left", "right")
#: Points of each curve in a picture of a whole life: more cannot be distinguished.
LIFE_POINTS = 160
#: A control chart shows this many of the newest captures.
CHARTED = 30
#: Height of the picture of the figure that decides, in inches.
LARGE_IN = 3.9


def life(
    folder: Path, tables_folder: Path, captures: Sequence[Row], break_in_hours: float
) -> Iterator[tuple[str, Picture]]:
    """Draw the stylus's curves over its hours, and the newest less the first.

    Parameters
    ----------
    folder : Path
        Holds the tables of each capture.
    tables_folder : Path
        The archive-wide tables.
    captures : sequence of mapping
        Measured captures of the stylus, fewest hours first.

    Yields
    ------
    tuple of str and Picture
        "life" or "change", and the picture.
    """
    settled = choice.settled(captures, break_in_hours) or captures
    for table, title in LIFE_CURVES:
        found = list(_with_curves(folder, settled, table))
        if not found:
            continue
        hz = extent(*(part["frequency_hz"] for _, curves in found for part in curves.values()))
        for channel in CHANNELS:
            if picture := _ages(table, title, channel, found, hz):
                yield "life", picture
        if picture := _change(table, title, found, tables_folder, hz):
            yield "change", picture


def _with_curves(folder: Path, captures: Sequence[Row], table: str) -> Iterator[Found]:
    for row in captures:
        if curves := choice.channel_curves(folder, row["capture"], table):
            yield row, curves


def _ages(
    table: str, title: str, channel: str, found: Sequence[Found], hz: Extent
) -> Picture | None:
    """Draw one channel's curves over the stylus's hours, one capture an age, light to dark."""
    by_hours: dict[float, tuple[Row, Columns]] = {}
    newest_row = found[-1][0]
    for row, curves in found:
        if channel in curves:
            held = by_hours.get(row["stylus_hours"])
            # Of several captures at one age, the one of the newest capture's record and side.
            if held is None or (
                not _same_side(held[0], newest_row) and _same_side(row, newest_row)
            ):
                by_hours[row["stylus_hours"]] = row, curves[channel]
    if not by_hours:
        return None
    hours = sorted(by_hours)
    shown = [hours[i] for i in np.unique(np.linspace(0, len(hours) - 1, len(AGES)).astype(int))]
    colours = (
        [AGES[int(i)] for i in np.round(np.linspace(0, len(AGES) - 1, len(shown)))]
        if len(shown) > 1
        else [AGES[-2]]
    )
    marks = [Mark(colour, "-", "", 0.5, 1.3) for colour in colours]
    lines = [(f"{at_h:.0f} h", _thin(by_hours[at_h][1])) for at_h in shown]
    records = {f"{row['record']}, side {row['side']}" for row, _ in by_hours.values()}
    note = "Each line is named by the hours on the stylus; darker is later."
    if len(records) > 1:
        note += f" Played from {', '.join(sorted(records))}: records differ by their own share."
    used = {row["chain"] for row, _ in by_hours.values()}
    if len(used) > 1:
        note += f" On the chains {', '.join(sorted(used))}: loads differ."
    name, column = f"life-{table}-{channel}", AXES[table][0]
    # Both channels have the same axis.
    values = [part[column] for _, curves in found for part in curves.values()]
    return overlay(name, f"{title}, {channel}", table, lines, note, marks, hz, values)


def _thin(part: Columns) -> Columns:
    step = max(1, len(part["frequency_hz"]) // LIFE_POINTS)
    return {name: values[::step] for name, values in part.items()}


def _change(
    table: str, title: str, found: Sequence[Found], tables_folder: Path, hz: Extent
) -> Picture | None:
    """Draw the newest curves less the first, of the same record and chain where there are such."""
    pair = newest_and_first(found)
    if pair is None:
        return None
    (newest, new_curves), (first, old_curves) = pair
    old, new = (played(row, tables_folder) for row in (first, newest))
    changes = {
        channel: curve_change(
            table, channel, (old, old_curves[channel]), (new, new_curves[channel])
        )
        for channel in CHANNELS
        if channel in old_curves and channel in new_curves
    }
    changes = {name: change for name, change in changes.items() if len(change.frequency_hz)}
    if not changes:
        return None
    note = (
        f"Capture {newest['capture']} ({newest['stylus_hours']:.0f} h) less {first['capture']} "
        f"({first['stylus_hours']:.0f} h)"
    )
    differs = [name for name in IN_COMMON if first.get(name) != newest.get(name)]
    note += (
        f"; they differ in {' and '.join(differs)}, and part of the change is due to that. "
        if differs
        else f", both of {newest['record']}, side {newest['side']}, on {newest['chain']}. "
    )
    note += band_note(first, newest, list(changes.values()))
    parts = [(channel, *change) for channel, change in changes.items()]
    return difference(f"{title}, change", table, parts, note.strip(), hz)


def newest_and_first(found: Sequence[Found]) -> tuple[Found, Found] | None:
    """Choose the newest capture that has an earlier one alike, and the first of those.

    Alike in record, side, copy and chain, if any two are; else in record and side; else any two.
    """
    for match in (is_alike, _same_side, lambda one, other: True):
        for place in range(len(found) - 1, 0, -1):
            newest = found[place]
            for first in found[:place]:
                is_earlier = first[0]["stylus_hours"] < newest[0]["stylus_hours"]
                if is_earlier and match(first[0], newest[0]):
                    return newest, first
    return None


def _same_side(one: Row, other: Row) -> bool:
    return (one["record"], one["side"]) == (other["record"], other["side"])


def metrics_in_order(metrics: Columns, drift: Sequence[Row]) -> list[str]:
    """Return the metrics with figures at known hours: moving ones first, nearest limit first."""
    found = set(metrics["metric"][np.isfinite(metrics["value"] + metrics["stylus_hours"])])
    nearness: dict[str, float] = {}
    for row in drift:
        if row["verdict"] in MOVING:
            nearness[row["metric"]] = max(nearness.get(row["metric"], 0.0), way_to_limit(row))
    return sorted(
        found,
        key=lambda name: (name not in nearness, -nearness.get(name, 0.0), metric_words.order(name)),
    )


def is_of_stylus(metric: str) -> bool:
    """Say whether a metric is about the stylus, not about record, turntable or chain."""
    return metric_words.group(metric) is Group.STYLUS


def trend_of(
    metric: str,
    metrics: Columns,
    drift: Sequence[Row],
    break_in_hours: float,
    control_rows: Sequence[Row] = (),
    large: bool = False,
) -> Picture:
    """Draw the trend of a metric of a stylus; of several tracks the one that the drift follows."""
    fits = [row for row in drift if row["metric"] == metric]
    points = followed_tracks(where(metrics, metric=metric), fits)
    fitted = {
        (row["capture"], row["channel"]): row["fitted"]
        for row in control_rows
        if row["metric"] == metric and row.get("fitted") is not None
    }
    title = metric_words.metric(metric)
    size = {"height_in": LARGE_IN} if large else {}
    return trend(metric, title, points, fits, break_in_hours, fitted, **size)


def followed_tracks(points: Columns, fits: Sequence[Row]) -> Columns:
    """Keep, of each capture and channel, the figure of the track that the drift follows.

    Where it names none, the first in the plan is kept.
    """
    tracks = {row["channel"]: tracks_by_place(row.get("track")) for row in fits}
    followed = np.zeros(len(points["track"]), dtype=bool)
    for i, channel in enumerate(points["channel"]):
        named = tracks.get(channel, {})
        wanted = named.get(f"{points['record'][i]}/{points['side'][i]}", named.get(""))
        followed[i] = wanted is not None and points["track"][i] == wanted
    order = np.lexsort((points["track_position"], ~followed))
    seen: set[tuple[str, str]] = set()
    kept = []
    for index in order.tolist():
        mark = (points["capture"][index], points["channel"][index])
        if mark not in seen and np.isfinite(points["value"][index] + points["stylus_hours"][index]):
            seen.add(mark)
            kept.append(index)
    kept.sort()
    return {name: values[kept] for name, values in points.items()}


def tracks_by_place(said: str | None) -> dict[str, float]:
    """Return the tracks that a drift row names, by record and side; one for all under no name.

    Examples
    --------
    >>> tracks_by_place("7"), tracks_by_place("bench/a: 7; bench/b: 3"), tracks_by_place(None)
    ({'': 7.0}, {'bench/a': 7.0, 'bench/b': 3.0}, {})
    """
    parts = [part.rpartition(": ") for part in (said or "").split("; ")]
    return {place: float(track) for place, _, track in parts if track.replace(".", "", 1).isdigit()}


def surprises(control_rows: Sequence[Row]) -> Iterator[Picture]:
    """Draw the control chart of each figure whose newest capture is out of control."""
    charts: dict[tuple[str, str], list[Row]] = {}
    for row in control_rows:
        charts.setdefault((row["metric"], row["channel"]), []).append(row)
    for metric, channel in sorted(charts, key=lambda chart: (metric_words.order(chart[0]), *chart)):
        rows = charts[metric, channel]
        if any(row["flagged"] for row in rows):
            rows.sort(key=lambda row: (row["stylus_hours"], row["capture"]))
            yield control(metric_words.metric(metric), rows[-CHARTED:])
