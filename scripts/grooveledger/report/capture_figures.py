"""The figures of a capture's page: their values, their change, and which of them suffer."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from grooveledger.report.grids import Grid, link, without_empty
from grooveledger.schemas.states import TrackMatch
from grooveledger.vocabulary import metric_words, words

#: Components of uncertainty that differ from capture to capture; the others cancel in a change.
OWN_PARTS = ("noise", "speed", "interpolation")
#: Channels that have a column, with its head; and those that have a line.
COLUMNS = {"left": "Left", "right": "Right", "both": "Together"}
AXES = ("lateral", "vertical")


def suffering(
    tracks: Sequence[Mapping[str, Any]],
    remarks: Sequence[Mapping[str, Any]],
    metrics: Sequence[Mapping[str, Any]],
) -> list[tuple[str, str]]:
    """Name the figures that suffer from what a capture is flagged for.

    Returns
    -------
    list of tuple of str
        What it is that suffers, a track or the whole capture, and its figures in words.
    """
    touched = {
        row["track"]
        for row in tracks
        if row["track"] is not None
        and (row["remark"] or row["clipped"] or row["match"] == TrackMatch.MISSING)
    } | {row["track"] for row in remarks}
    kinds = {row["track"]: row["kind"] for row in tracks}
    lines = []
    for track in sorted(touched, key=lambda track: (track is None, track or 0)):
        if track is None:
            lines.append(("The whole capture", "every figure"))
            continue
        names = sorted(
            {
                row["metric"]
                for row in metrics
                if row["track"] == track and row["value"] is not None
            },
            key=metric_words.order,
        )
        kind = str(kinds.get(track) or "").replace("_", " ")
        said = "; ".join(map(metric_words.metric_within, names))
        lines.append(
            (f"Track {track}{f' ({kind})' if kind else ''}", said or "gives no figure here")
        )
    return lines


def key_figures(
    metrics: Sequence[Mapping[str, Any]],
    earlier: Sequence[Mapping[str, Any]] = (),
    linked: bool = True,
) -> Grid | None:
    """Arrange scalar figures a line a metric, each with its change since an earlier capture.

    Figures of an axis have a line each. Names are `linked` to the pages of methods, where there are
    such pages.
    """
    own, old = first_in_plan(metrics), first_in_plan(earlier)
    names = sorted({metric for metric, _ in own}, key=lambda name: (metric_words.order(name), name))
    if not names:
        return None
    body = []
    for name in names:
        cells = {channel: row for (metric, channel), row in own.items() if metric == name}
        unit = words.unit(next(iter(cells.values()))["unit"])
        if cells.keys() & set(COLUMNS):
            shown = [(cells.get(column), old.get((name, column))) for column in COLUMNS]
            body.append([_named(name, "", linked), *_cells(shown), unit])
        for axis in AXES:
            if axis in cells:
                shown = [(None, None), (None, None), (cells[axis], old.get((name, axis)))]
                ending = metric_words.metric_of(name, axis).removeprefix(metric_words.metric(name))
                body.append([_named(name, ending, linked), *_cells(shown), unit])
    heads = [("Figure", False)]
    for column in COLUMNS.values():
        heads += [(column, True), ("Change", True)]
    return without_empty(Grid([*heads, ("Unit", False)], body))


def first_in_plan(
    metrics: Sequence[Mapping[str, Any]],
) -> dict[tuple[str, str], Mapping[str, Any]]:
    """Return the figures by metric and channel; of several tracks the first in the plan."""
    first: dict[tuple[str, str], Mapping[str, Any]] = {}
    for row in sorted(metrics, key=lambda row: row["track_position"] or 0):
        if row["value"] is not None:
            first.setdefault((row["metric"], row["channel"]), row)
    return first


def _named(metric: str, ending: str, linked: bool) -> Any:
    method, shown = metric_words.method_page(metric), metric_words.metric(metric) + ending
    return link(f"../methods/{method}.html", shown) if method and linked else shown


def _cells(pairs: Iterable[tuple[Mapping[str, Any] | None, Mapping[str, Any] | None]]) -> list[str]:
    return [text for row, old in pairs for text in (_cell(row), change_of(row, old))]


def _cell(row: Mapping[str, Any] | None) -> str:
    if row is None:
        return words.NONE
    if row["limited"]:
        return f"bound {words.figure(row['value'], row['unit'])}"
    return words.with_uncertainty(row["value"], row["uncertainty"], row["unit"])


def change_of(row: Mapping[str, Any] | None, old: Mapping[str, Any] | None) -> str:
    """Write the change of a figure; none of a bound.

    It has the digits that noise leaves, but no more than one beyond the figure's own.
    """
    if row is None or old is None or row["limited"] or old["limited"]:
        return words.NONE
    noise = float(np.hypot(_own_part(row), _own_part(old)))
    change = row["value"] - old["value"]
    if noise > 0:
        places = words.uncertainty_places(noise)
        if row["uncertainty"] and row["uncertainty"] > 0:
            places = min(places, words.uncertainty_places(row["uncertainty"]) + 1)
        return words.rounded(change, places, signed=True)
    return words.figure(change, row["unit"], signed=True)


def _own_part(row: Mapping[str, Any]) -> float:
    """Return the uncertainty that a figure shares with no other capture of its record and chain."""
    parts = [row.get(f"u_{name}") or 0.0 for name in OWN_PARTS]
    return float(np.hypot.reduce(parts))
