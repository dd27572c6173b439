"""A sheet of charts a stylus: its response first and newest, and the figure that decides."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import xlsxwriter
from pyarrow import parquet

from grooveledger.report.cards import deciding_figure, now
from grooveledger.report.grids import rows_of
from grooveledger.report.pictures.rows import groups
from grooveledger.storage import tables
from grooveledger.vocabulary import metric_words, words

#: What a sheet of charts needs.
NEEDED = ("captures", "drift", "stylus_states", "response")
NAME_CHARACTERS = 31
CHANNELS = ("left", "right")
#: First and newest, left and right: a hue a channel, light for the first.
LINES = {
    ("first", "left"): "#86B3B0",
    ("first", "right"): "#DDA37F",
    ("newest", "left"): "#0A6A70",
    ("newest", "right"): "#A4460E",
}
MARKS = {
    "left": ("circle", "#0A6A70"),
    "right": ("square", "#A4460E"),
    "both": ("diamond", "#5A3F98"),
    "lateral": ("diamond", "#5A3F98"),
    "vertical": ("triangle", "#6A5F00"),
}
LIMIT = "#A01239"
#: Line of the charts, column of the second one, line of their numbers' heads.
CHART_LINE, SECOND_CHART, DATA_LINE = 3, 10, 26
CHART_SIZE = {"width": 620, "height": 420}
#: Captures that share these differ by the stylus alone, as far as an archive shows.
ALIKE = ("record", "side", "chain")
AUDIO_HZ = (20.0, 20_000.0)

Row = Mapping[str, Any]


class Series(NamedTuple):
    """A line of a chart: its name, its numbers, and how it looks."""

    name: str
    heads: tuple[str, str]
    x: Sequence[float]
    y: Sequence[float]
    look: Mapping[str, Any]


def write(
    book: xlsxwriter.Workbook, found: Mapping[str, Path], wide: pa.Table
) -> list[tuple[str, str]]:
    """Add the sheets; returns name and meaning of each.

    Parameters
    ----------
    book : Workbook
        The book that is laid out.
    found : mapping of str to Path
        Parquet files by table.
    wide : pyarrow.Table
        One row a capture, as `wide_metrics` gives it.
    """
    if any(name not in found for name in NEEDED):
        return []
    strong = book.add_format({"bold": True})
    made: list[tuple[str, str]] = []
    captures, drift = rows_of(found["captures"]), rows_of(found["drift"])
    states = rows_of(found["stylus_states"])
    with_curves = set(pc.unique(_read(found["response"], ["capture"])["capture"]).to_pylist())
    ends = {
        state["stylus"]: first_and_newest(captures, state["stylus"], with_curves)
        for state in states
    }
    curves = _curves(
        found["response"], [row["capture"] for pair in ends.values() for row in pair.values()]
    )
    for state in states:
        stylus = state["stylus"]
        figures = [row for row in drift if row["stylus"] == stylus]
        deciding = deciding_figure(state, figures)
        response = list(_response(ends[stylus], curves))
        trend = [] if deciding is None else list(_trend(deciding, figures, wide))
        if not response and not trend:
            continue
        name = _free(f"stylus {stylus}", [name for name, _ in made])
        page = book.add_worksheet(name)
        page.write_string(0, 0, f"Stylus {stylus}", strong)
        page.write_string(1, 0, state["sentence"] or "")
        page.write_string(DATA_LINE - 1, 0, "The numbers of the charts", strong)
        title = "" if deciding is None else metric_words.metric(deciding["metric"])
        unit = "" if deciding is None else words.unit(deciding["unit"])
        axes = ("Frequency (Hz)", "Response (dB)")
        scale = {"min": AUDIO_HZ[0], "max": AUDIO_HZ[1], "log_base": 10, "crossing": AUDIO_HZ[0]}
        chart = _chart(book, page, name, response, 0, ("Response, first and newest", *axes), scale)
        if chart is not None:
            page.insert_chart(CHART_LINE, 0, chart)
        axes = ("Hours on the stylus (h)", f"{title} ({unit})")
        chart = _chart(book, page, name, trend, 2 * len(response), (title, *axes), {"min": 0})
        if chart is not None:
            page.insert_chart(CHART_LINE, SECOND_CHART if response else 0, chart)
        made.append((name, f"Charts of stylus {stylus}, with the numbers that they draw."))
    return made


def _read(path: Path, columns: list[str]) -> pa.Table:
    with parquet.ParquetFile(path) as file:
        return file.read(columns=columns, use_threads=False)


def first_and_newest(
    captures: Sequence[Row], stylus: str, with_curves: Collection[str]
) -> dict[str, Row]:
    """Return the newest capture with curves, and the first of the same record, side and chain."""
    own = sorted(
        (
            row
            for row in captures
            if row["stylus"] == stylus
            and row["capture"] in with_curves
            and row["stylus_hours"] is not None
        ),
        key=lambda row: (row["stylus_hours"], row["captured_at"] or "", row["capture"]),
    )
    if not own:
        return {}
    newest = own[-1]
    alike = [row for row in own if all(row[name] == newest[name] for name in ALIKE)]
    ends = {"newest": newest}
    if alike[0]["stylus_hours"] < newest["stylus_hours"]:
        ends = {"first": alike[0], **ends}
    return ends


def _curves(
    path: Path, captures: Sequence[str]
) -> dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]:
    """Return responses by capture and channel: the longest track's, bounds left out."""
    names = ["capture", "channel", "track", "frequency_hz", "response_db", "limited"]
    rows = _read(path, names)
    rows = rows.filter(pc.is_in(rows["capture"], pa.array(captures, pa.string())))
    rows = rows.filter(
        pc.and_(pc.invert(pc.fill_null(rows["limited"], False)), pc.is_valid(rows["response_db"]))
    )
    curves: dict[tuple[str, str], tuple[np.ndarray, np.ndarray]] = {}
    for (capture, channel, _), part in groups(tables.columns(rows), *names[:3]):
        held = curves.get((str(capture), str(channel)))
        if len(part["track"]) > 1 and (held is None or len(held[0]) < len(part["track"])):
            order = np.argsort(part["frequency_hz"], kind="stable")
            curves[str(capture), str(channel)] = (
                part["frequency_hz"][order],
                part["response_db"][order],
            )
    return curves


def _response(
    ends: Mapping[str, Row], curves: Mapping[tuple[str, str], tuple[np.ndarray, np.ndarray]]
) -> Iterator[Series]:
    for (end, channel), colour in LINES.items():
        if end in ends and (ends[end]["capture"], channel) in curves:
            frequency_hz, response_db = curves[ends[end]["capture"], channel]
            hours = words.with_unit(ends[end]["stylus_hours"], "h").replace(
                "\N{NO-BREAK SPACE}", " "
            )
            yield Series(
                f"{channel}, {end} ({hours})",
                (f"{end}_{channel}_hz", f"{end}_{channel}_db"),
                frequency_hz.tolist(),
                response_db.tolist(),
                {"line": {"color": colour, "width": 1.75}, "marker": {"type": "none"}},
            )


def _trend(deciding: Row, figures: Sequence[Row], wide: pa.Table) -> Iterator[Series]:
    """Give the figures of the metric that decides, each channel's line and its limit."""
    own = wide.filter(pc.equal(wide["stylus"], deciding["stylus"]))
    hours = own["stylus_hours"].to_numpy()
    for channel, (shape, colour) in MARKS.items():
        name = f"{deciding['metric']}.{channel}"
        if name not in own.column_names:
            continue
        value = own[name].to_numpy()
        known = np.isfinite(value) & np.isfinite(hours)
        look = {"type": shape, "size": 6, "fill": {"color": colour}, "border": {"color": colour}}
        yield Series(
            channel,
            ("stylus_hours", name),
            hours[known].tolist(),
            value[known].tolist(),
            {"marker": look, "line": {"none": True}},
        )
        fits = (r for r in figures if (r["metric"], r["channel"]) == (deciding["metric"], channel))
        fit = next(fits, None)
        if fit is not None and now(fit) is not None:
            yield Series(
                f"{channel}, line",
                (f"line_{channel}_hours", f"line_{channel}"),
                [fit["baseline_hours"], fit["hours_last"]],
                [fit["baseline_value"], now(fit) or 0.0],
                {"marker": {"type": "none"}, "line": {"color": colour, "width": 1.25}},
            )
    if deciding["limit_value"] is not None and np.isfinite(hours).any():
        yield Series(
            "limit",
            ("limit_hours", "limit"),
            [0.0, float(np.nanmax(hours))],
            [deciding["limit_value"]] * 2,
            {"marker": {"type": "none"}, "line": {"color": LIMIT, "width": 1.25}},
        )


def _chart(
    book: xlsxwriter.Workbook,
    page: Any,
    sheet: str,
    series: Sequence[Series],
    column: int,
    texts: tuple[str, str, str],
    scale: Mapping[str, Any],
) -> Any:
    """Write the numbers of a chart from a column on, and make the chart, if there are any."""
    if not series:
        return None
    chart = book.add_chart({"type": "scatter", "subtype": "straight"})
    for place, line in enumerate(series):
        at = column + 2 * place
        for offset, (head, values) in enumerate(zip(line.heads, (line.x, line.y), strict=True)):
            page.write_string(DATA_LINE, at + offset, head)
            page.write_column(DATA_LINE + 1, at + offset, values)
        last = DATA_LINE + len(line.x)
        chart.add_series(
            {
                "name": line.name,
                "categories": [sheet, DATA_LINE + 1, at, last, at],
                "values": [sheet, DATA_LINE + 1, at + 1, last, at + 1],
                **line.look,
            }
        )
    title, label_x, label_y = texts
    rule = {"visible": True, "line": {"color": "#DCD8CB", "width": 0.5}}
    low = {"label_position": "low", "major_gridlines": rule}
    chart.set_title({"name": title, "name_font": {"size": 12, "bold": False}})
    chart.set_x_axis({"name": label_x, **low, **scale})
    chart.set_y_axis({"name": label_y, **low})
    chart.set_legend({"position": "bottom"})
    chart.set_size(CHART_SIZE)
    return chart


def _free(name: str, taken: Sequence[str]) -> str:
    """Shorten a sheet's name to one that is still free, whatever the case of its letters."""
    short, number = name[:NAME_CHARACTERS], 1
    while short.lower() in [other.lower() for other in taken]:
        number += 1
        short = f"{name[: NAME_CHARACTERS - len(str(number)) - 1]} {number}"
    return short
