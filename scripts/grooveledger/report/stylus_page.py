"""The page of one stylus: its trends, limits and forecast, its first curves against its newest."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from grooveledger.report import choice, page
from grooveledger.report.grids import Field, chosen, grid, link, rows_of, tag
from grooveledger.report.index import card
from grooveledger.report.pictures.control import control
from grooveledger.report.pictures.overlay import overlay
from grooveledger.report.pictures.rows import Columns, where
from grooveledger.report.pictures.style import COLOURS, Mark, Picture
from grooveledger.report.pictures.trend import trend
from grooveledger.storage import tables
from grooveledger.vocabulary import metric_words, words

Row = Mapping[str, Any]

#: Curves compared over a stylus's life: table, file name, title.
LIFE_CURVES = (
    ("response", "life-response", "Frequency response"),
    ("separation", "life-separation", "Channel separation"),
    ("distortion", "life-distortion", "Harmonic distortion"),
)
#: Looks of the first (dotted) and the newest curve of each channel.
LIFE_MARKS = {
    "left": (Mark(COLOURS["left"], ":", "o"), Mark(COLOURS["left"], "-", "o")),
    "right": (Mark(COLOURS["right"], (0, (1, 2)), "s"), Mark(COLOURS["right"], (0, (5, 2)), "s")),
}
#: Verdicts whose trends are shown first.
PRESSING = ("past_limit", "drifting", "confounded")


def write(stylus: Row, tables_folder: Path, captures_folder: Path, path: Path) -> None:
    """Write the page of a stylus, its pictures in a folder of its name beside it.

    Parameters
    ----------
    stylus : mapping
        Its row of the sheet, with `stylus` and `break_in_hours`.
    tables_folder : Path
        The archive-wide tables.
    captures_folder : Path
        Holds the tables of each capture.
    path : Path
        The page, ``report/styli/<stylus>.html``.
    """
    name, break_in_hours = stylus["stylus"], stylus["break_in_hours"] or 0.0
    captures = rows_of(tables_folder / "captures.parquet", stylus=name)
    drift = rows_of(tables_folder / "drift.parquet", stylus=name)
    (state,) = rows_of(tables_folder / "stylus_states.parquet", stylus=name)
    own = sorted(captures, key=lambda row: (row["captured_at"] or "", row["capture"]), reverse=True)
    pressing = {row["metric"] for row in drift if row["verdict"] in PRESSING}
    metrics = tables.columns(chosen(tables_folder / "metrics.parquet", stylus=name))
    curves = list(life(captures_folder, choice.in_order_of_hours(captures, name), break_in_hours))
    found = metrics_in_order(metrics)
    urgent, others = (
        [
            trend_of(metric, metrics, drift, break_in_hours)
            for metric in found
            if (metric in pressing) == wanted
        ]
        for wanted in (True, False)
    )
    charts = list(surprises(rows_of(tables_folder / "control.parquet", stylus=name)))
    drawn = [*curves, *urgent, *others, *charts]
    saved = page.pictures(drawn, path.with_name(path.stem))
    page.write(
        "stylus.html",
        path,
        depth=1,
        card=card(stylus, state, drift, own),
        note=stylus.get("note"),
        advice=rows_of(tables_folder / "advice.parquet", stylus=name),
        surprises=saved[len(drawn) - len(charts) :],
        drift=grid(sorted(drift, key=_by_verdict), DRIFT_FIELDS),
        life=saved[: len(curves)],
        urgent=saved[len(curves) : len(curves) + len(urgent)],
        others=saved[len(curves) + len(urgent) : len(drawn) - len(charts)],
        captures=grid(own, CAPTURE_FIELDS),
    )


def metrics_in_order(metrics: Columns) -> list[str]:
    """Metrics of a stylus that have a figure at known hours, as people read them."""
    found = set(metrics["metric"][np.isfinite(metrics["value"] + metrics["stylus_hours"])])
    return sorted(found, key=lambda name: (metric_words.order(name), name))


def trend_of(metric: str, metrics: Columns, drift: Sequence[Row], break_in_hours: float) -> Picture:
    """Draw the trend of a metric of a stylus; of several tracks the first in the plan."""
    points = first_tracks(where(metrics, metric=metric))
    fits = [row for row in drift if row["metric"] == metric]
    return trend(metric, metric_words.metric(metric), points, fits, break_in_hours)


def surprises(control_rows: Sequence[Row]) -> Iterator[Picture]:
    """Draw the control chart of each figure whose newest capture is out of control."""
    charts: dict[tuple[str, str], list[Row]] = {}
    for row in control_rows:
        charts.setdefault((row["metric"], row["channel"]), []).append(row)
    for metric, channel in sorted(charts, key=lambda chart: (metric_words.order(chart[0]), *chart)):
        rows = charts[metric, channel]
        if any(row["flagged"] for row in rows):
            yield control(metric_words.metric(metric), rows)


def first_tracks(points: Columns) -> Columns:
    """Keep, of each capture and channel, the figure of the track that comes first in the plan."""
    order = np.argsort(points["track_position"], kind="stable")
    seen: set[tuple[str, str]] = set()
    kept = []
    for index in order.tolist():
        mark = (points["capture"][index], points["channel"][index])
        if mark not in seen and np.isfinite(points["value"][index] + points["stylus_hours"][index]):
            seen.add(mark)
            kept.append(index)
    kept.sort()
    return {name: values[kept] for name, values in points.items()}


def life(folder: Path, captures: Sequence[Row], break_in_hours: float) -> Iterator[Picture]:
    """Draw the first settled curve and the newest over one another, or the only one there is.

    Parameters
    ----------
    folder : Path
        Holds the tables of each capture.
    captures : sequence of mapping
        Measured captures of the stylus, fewest hours first.
    """
    old = choice.settled(captures, break_in_hours) or captures
    for table, name, title in LIFE_CURVES:
        newest = choice.first_with_curves(folder, reversed(captures), table)
        first = choice.first_with_curves(folder, old, table)
        if newest is None:
            continue
        ends = [newest]
        note = f"Capture {newest[0]['capture']}."
        if first is not None and first[0]["capture"] != newest[0]["capture"]:
            ends = [first, newest]
            note = (
                f"Dotted: capture {first[0]['capture']}, the first after break-in. Other lines: "
                f"capture {newest[0]['capture']}, the newest."
            )
        drawn = [
            (f"{channel}, {row['stylus_hours']:.0f} h", found[channel], mark)
            for channel, marks in LIFE_MARKS.items()
            for (row, found), mark in zip(ends, marks[-len(ends) :], strict=True)
            if channel in found
        ]
        curves = [(label, part) for label, part, _ in drawn]
        yield overlay(name, title, table, curves, note, [mark for _, _, mark in drawn])


def _by_verdict(row: Row) -> tuple[int, int, str]:
    rank = PRESSING.index(row["verdict"]) if row["verdict"] in PRESSING else len(PRESSING)
    return rank, metric_words.order(row["metric"]), row["channel"]


def _hours_at_limit(row: Row) -> str:
    ends = row["hours_at_limit_low"], row["hours_at_limit_high"]
    if ends == (None, None):
        return words.NONE
    return " to ".join("open" if end is None else words.number(end, 0) for end in ends)


def _metric(row: Row) -> Any:
    method = metric_words.method_page(row["metric"])
    shown = metric_words.metric(row["metric"])
    return link(f"../methods/{method}.html", shown) if method else shown


DRIFT_FIELDS = (
    Field("Figure", _metric, numeric=False),
    Field("Channel", lambda row: row["channel"], numeric=False),
    Field(
        "Verdict",
        lambda row: tag(row["verdict"], words.VERDICTS.get(row["verdict"])),
        numeric=False,
    ),
    Field("Unit", lambda row: words.unit(row["unit"]), numeric=False),
    Field("Captures used", lambda row: words.number(row["n"], 0)),
    Field("At the start", lambda row: words.figure(row["baseline_value"], row["unit"])),
    Field("Change per 100 h", lambda row: words.slope(row)[0]),
    Field(
        "95 % interval",
        lambda row: words.NONE if row["slope_low"] is None else " to ".join(words.slope(row)[1:]),
    ),
    Field(
        "With others of its type",
        lambda row: words.number(row["slope_pooled_per_100h"], 2, signed=True),
    ),
    Field("Repeats within (sd)", lambda row: words.number(row["repeatability_sd"], 3)),
    Field("Limit", lambda row: words.figure(row["limit_value"], row["unit"])),
    Field("Met at (h)", lambda row: words.number(row["hours_at_limit"], 0)),
    Field("95 % interval (h)", _hours_at_limit),
    Field("Step at (h)", lambda row: words.number(row["change_at_hours"], 0)),
    Field(
        "Record's part per 100 plays",
        lambda row: words.number(row["record_wear_per_100_plays"], 2, signed=True),
    ),
    Field("Not separable from", lambda row: row["confounded_with"] or words.NONE, numeric=False),
)
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
    Field("Chain", lambda row: row["chain"], numeric=False),
    Field("Status", lambda row: tag(row["status"]), numeric=False),
    Field("Reason", lambda row: row["reason"] or words.NONE, numeric=False),
)
