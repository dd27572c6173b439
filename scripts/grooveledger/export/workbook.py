"""The archive as one workbook: a sheet a table, typed cells, no formula, charts of each stylus.

The book is laid out first, every data sheet with its head and one specimen row that has a cell of
each format; the rows are then written in the specimen's place, a stretch at a time.
"""

import datetime
import math
import re
import zipfile
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import pyarrow as pa
import pyarrow.compute as pc
import xlsxwriter

from grooveledger import __version__
from grooveledger.export import stylus_sheets
from grooveledger.export.all_tables import TABLES
from grooveledger.export.sheet_rows import CELL_CHARACTERS, letters, row_stretches
from grooveledger.export.spreadsheet_rows import wide_metrics
from grooveledger.measure.quantities import METRICS
from grooveledger.schemas.table import Column, Table
from grooveledger.storage import tables
from grooveledger.storage.atomic_write import written_whole
from grooveledger.vocabulary import metric_words

#: Rows of a sheet in the xlsx format (ISO/IEC 29500 as common programs limit it).
SHEET_ROWS = 1_048_576
#: Characters of a sheet's name.
NAME_CHARACTERS = 31
#: Written into the file instead of the clock's time, so that the same tables give the same bytes.
CREATED = datetime.datetime(2000, 1, 1)
#: Beyond this level of compression the file takes longer but hardly shrinks.
COMPRESSION = 4
#: Widths of columns in characters, least and most.
WIDTHS = (7, 40)
#: This many rows are looked at for a column's width.
WIDTH_SAMPLE = 200
WIDE = "metrics_wide"
WIDE_MEANING = (
    "One row a capture, one column a figure and channel, by stylus and hours; bounds left out and "
    "named in the last column."
)
#: Sheets that come first, in this order; then the others.
FIRST = ("drift", "stylus_states", "advice", WIDE, "captures", "ratings", "comparison")
#: Tables that a workbook leaves out where the configuration says nothing.
LEFT_OUT = ("spectrum",)
#: How numbers of a unit are shown; the cell holds all their digits.
NUMBER_FORMATS = {
    "": "General",
    "dB": "0.00", "dBFS": "0.0", "%": "0.000", "%/min": "0.000", "mV": "0.000", "deg": "0.00",
    "Hz": "0.0", "h": "0.0", "s": "0.00", "um": "0.0", "mm": "0.00", "um/mN": "0.00",
    "1/min": "0.0", "mV s/cm": "0.0000", "cm/s": "0.00", "degC": "0.0", "ohm": "0", "pF": "0",
    "mH": "0.0", "uV": "0.000", "sd": "0.00", "samples": "0",
    "day": "yyyy-mm-dd", "time": "yyyy-mm-dd hh:mm:ss",
}  # fmt: skip
#: A column in the unit that its row names, and changes of it per something.
ROW_UNIT = "see unit"
PER = "unit/"
#: Parts of a column's name that give its unit already, where they are not the unit in small.
SPELLED = {
    "%": "pct", "%/min": "pct", "h": "hours", "s": "seconds", "1/Hz": "hz", "mV s/cm": "mv",
    "1/min": "min", "cm/s": "cm", "um/mN": "um", "degC": "c", "unit/100 h": "100h",
    "unit/100 plays": "plays", "unit/degC": "c", "of full scale": "fs",
}  # fmt: skip


class WorkbookSheet(NamedTuple):
    """One sheet to be: a table, or a part of one.

    `load` reads the whole table; `sample` is its beginning, for the widths of columns.
    """

    name: str
    meaning: str
    columns: Mapping[str, Column]
    load: Callable[[], pa.Table]
    sample: pa.Table
    start: int
    length: int
    part: str = ""

    @property
    def rows(self) -> pa.Table:
        """The sheet's rows, read now: not every table of a book is in memory together."""
        return self.load().slice(self.start, self.length)


def write(
    paths: Iterable[Path],
    path: Path,
    sheet_rows: int = SHEET_ROWS,
    declared: Mapping[str, Table] = TABLES,
    left_out: Collection[str] = LEFT_OUT,
) -> None:
    """Write a workbook of tables.

    Parameters
    ----------
    paths : iterable of Path
        Parquet files; the file's stem is the table's name.
    path : Path
        The workbook.
    sheet_rows : int
        Rows that a sheet can hold, the head included; a longer table goes on in further sheets.
    declared : mapping of str to Table
        Where the tables' meanings and units are explained, by the table's name.
    left_out : collection of str
        Names of tables that get no sheet.
    """
    found = {table.stem: table for table in paths}
    sheets = [
        sheet
        for name in _in_order(found)
        if name not in left_out
        for sheet in _sheets(name, found, sheet_rows, declared)
    ]
    missing = sorted(set(found) & set(left_out))
    with written_whole(path) as scratch:
        laid_out = scratch.with_suffix(".layout")
        try:
            with xlsxwriter.Workbook(laid_out) as book:
                book.set_properties({"title": "Archive tables", "created": CREATED})
                _lay_out(book, sheets, missing, found)
            _fill(laid_out, scratch, sheets)
        finally:
            laid_out.unlink(missing_ok=True)


def _in_order(found: Collection[str]) -> list[str]:
    names = [*found, *([WIDE] if "metrics" in found else [])]
    return [
        *(name for name in FIRST if name in names),
        *(name for name in names if name not in FIRST),
    ]


def _sheets(
    name: str, found: Mapping[str, Path], sheet_rows: int, declared: Mapping[str, Table]
) -> Iterator[WorkbookSheet]:
    """Give the sheet of a table, or its parts where it has more rows than there is room."""
    if name == WIDE:
        wide = wide_metrics(tables.read(found["metrics"]))
        columns = {column.name: column for column in declared["captures"].columns} | {
            column: Column(column, pa.float64(), METRICS[metric].unit, "")
            for column in wide.column_names
            if (metric := column.partition(".")[0]) in METRICS
        }
        meaning = WIDE_MEANING

        def load() -> pa.Table:
            return wide

    else:
        declaration = declared.get(name)
        key = declaration.key if declaration else ()
        columns = {column.name: column for column in declaration.columns} if declaration else {}
        meaning = declaration.meaning if declaration else ""

        def load() -> pa.Table:
            return _in_reading_order(tables.read(found[name]), key)

    rows, room = load(), sheet_rows - 1
    parts = max(1, math.ceil(rows.num_rows / room))
    # Copied, or the sample would keep the table in memory.
    sample = pa.Table.from_pylist(rows.slice(0, WIDTH_SAMPLE).to_pylist(), rows.schema)
    for part in range(parts):
        ending = f" {part + 1}" if parts > 1 else ""
        yield WorkbookSheet(
            name[: NAME_CHARACTERS - len(ending)] + ending,
            meaning,
            columns,
            load,
            sample,
            start=part * room,
            length=min(room, rows.num_rows - part * room),
            part=f"part {part + 1} of {parts}: too long for one sheet" if parts > 1 else "",
        )


def _in_reading_order(rows: pa.Table, key: Sequence[str]) -> pa.Table:
    """Sort by the table's key, metrics in the order in which pages list them."""
    if "metric" not in key or not rows.num_rows:
        return rows
    known = rows.column("metric").combine_chunks().dictionary_encode()
    places = [metric_words.order(name) for name in known.dictionary.to_pylist()]
    with_place = rows.append_column("place", pa.array(places).take(known.indices))
    first, *rest = [(name, "ascending") for name in key]
    if first[0] == "metric":
        order = [("place", "ascending"), first, *rest]
    else:
        order = [first, ("place", "ascending"), *rest]
    return rows.take(pc.sort_indices(with_place, sort_keys=order))


def _lay_out(
    book: xlsxwriter.Workbook,
    sheets: Sequence[WorkbookSheet],
    missing: Sequence[str],
    found: Mapping[str, Path],
) -> None:
    head = book.add_format(
        {"bold": True, "bottom": 1, "bg_color": "#ECE7D6", "text_wrap": True, "valign": "top"}
    )
    specimens = {
        name: book.add_format({"num_format": written}) for name, written in NUMBER_FORMATS.items()
    }
    page = book.add_worksheet("about")
    wide = next((sheet for sheet in sheets if sheet.name == WIDE), None)
    lead = [sheet for sheet in sheets if sheet.name in FIRST[: FIRST.index(WIDE) + 1]]
    for sheet in lead:
        _data_sheet(book, sheet, head, specimens)
    charts = stylus_sheets.write(book, found, wide.load()) if wide else []
    for sheet in sheets[len(lead) :]:
        _data_sheet(book, sheet, head, specimens)
    _front(book, page, head, sheets, charts, missing)


def _data_sheet(
    book: xlsxwriter.Workbook, sheet: WorkbookSheet, head: Any, specimens: Mapping[str, Any]
) -> None:
    """Lay out a sheet: a table with its head, and the specimen row as its only one."""
    page = book.add_worksheet(sheet.name)
    names = sheet.sample.column_names
    heads = [headed(sheet.columns.get(name) or Column(name, None, "", "")) for name in names]
    for place, written in enumerate(heads):
        page.set_column(place, place, _width(written, names[place], sheet))
    page.freeze_panes(1, 1)
    columns = [{"header": written, "header_format": head} for written in heads]
    options = {"name": _table_name(sheet), "style": None, "columns": columns}
    page.add_table(0, 0, 1, len(names) - 1, options)
    for place, style in enumerate(specimens.values()):
        page.write_blank(1, place, None, style)


def _table_name(sheet: WorkbookSheet) -> str:
    """Name a sheet's table: letters, digits and underscores, and unlike a cell's address."""
    return re.sub(r"\W", "_", f"table_{sheet.name}")


def headed(column: Column) -> str:
    """Name a column with its unit, which most names end with already.

    >>> headed(Column("start_s", pa.float64(), "s", ""))
    'start_s'
    >>> headed(Column("due_high", pa.float64(), "h", ""))
    'due_high (h)'
    """
    unit = column.unit
    if not unit or unit == ROW_UNIT:
        return column.name
    words = re.split(r"[_.]", column.name)
    if {unit.lower(), SPELLED.get(unit, "")} & set(words):
        return column.name
    return f"{column.name} ({unit.replace(PER, 'unit per ')})"


def _front(
    book: xlsxwriter.Workbook,
    page: Any,
    head: Any,
    sheets: Sequence[WorkbookSheet],
    charts: Sequence[tuple[str, str]],
    missing: Sequence[str],
) -> None:
    """Explain the other sheets on the first one."""
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    page.set_column(0, 0, 24)
    page.set_column(1, 1, 90)
    page.set_column(2, 2, 12)
    title = book.add_format({"bold": True, "font_size": 15})
    page.write_string(0, 0, "Groove Ledger: the archive's tables", title)
    notes = [
        f"Written by version {__version__} from the archive's tables, as a copy of them.",
        "One header row a sheet; names carry the units. An empty cell means no figure.",
        "Each sheet is a table, named after it (table_drift, ...), ready for a pivot table.",
        "A row whose 'limited' is true holds a bound, because the noise floor hides the figure.",
        "Tables join on 'capture' to the sheet 'captures'. Dates are dates, without a time zone.",
        f"Text of more than {CELL_CHARACTERS} characters is cut there: a cell holds no more.",
    ]
    if missing:
        notes.append(
            f"Left out for its length: {', '.join(missing)}. The CSV files have it; the key "
            "report.workbook_leaves_out says what is left out."
        )
    for line, note in enumerate(notes, start=2):
        page.write_string(line, 0, note)
    top = len(notes) + 3
    for column, name in enumerate(("sheet", "what it holds", "rows")):
        page.write_string(top, column, name, head)
    entries: list[tuple[str, str, int | None]] = [
        (sheet.name, f"{sheet.meaning} ({sheet.part})" if sheet.part else sheet.meaning,
         sheet.length)
        for sheet in sheets
    ]  # fmt: skip
    entries += [(name, meaning, None) for name, meaning in charts]
    for line, (name, meaning, count) in enumerate(entries, start=top + 1):
        # The target is one of our own sheets' names, nothing that a person typed.
        page.write_url(line, 0, f"internal:'{name}'!A1", string=name)
        page.write_string(line, 1, meaning, wrap)
        if count is not None:
            page.write_number(line, 2, count)


def _fill(laid_out: Path, path: Path, sheets: Sequence[WorkbookSheet]) -> None:
    """Copy a laid-out book, the rows of each data sheet in place of its specimen row."""
    by_table = {_table_name(sheet): sheet for sheet in sheets}
    with (
        zipfile.ZipFile(laid_out) as layout,
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=COMPRESSION) as book,
    ):
        places = _sheet_files(layout)
        by_file = {places[sheet.name]: sheet for sheet in sheets}
        for entry in layout.namelist():
            content = layout.read(entry)
            if entry.startswith("xl/tables/"):
                (name,) = re.findall(rb' displayName="(\w+)"', content)
                content = _resized(content, by_table[name.decode()])
            # By its name alone: an entry then has no time but that of the format's beginning.
            with book.open(entry, "w", force_zip64=True) as file:
                if entry in by_file:
                    file.writelines(_filled(content, by_file[entry]))
                else:
                    file.write(content)


def _resized(content: bytes, sheet: WorkbookSheet) -> bytes:
    """Let a table or a sheet extend over its rows: an empty table has one, which is blank."""
    end = f"{letters(len(sheet.sample.column_names) - 1)}{1 + max(sheet.length, 1)}"
    return re.sub(rb' ref="A1:[A-Z]+2"', f' ref="A1:{end}"'.encode(), content)


def _filled(content: bytes, sheet: WorkbookSheet) -> Iterator[bytes]:
    """Yield a laid-out sheet with its rows in place of the specimen row."""
    before, styles, after = _at_specimen(content)
    yield _resized(before, sheet)
    rows = sheet.rows
    yield from row_stretches(rows, 2, styles, _formats(rows, sheet.columns))
    yield after


def _sheet_files(layout: zipfile.ZipFile) -> dict[str, str]:
    """Return the file of each sheet in the package, by the sheet's name."""
    book = layout.read("xl/workbook.xml").decode()
    links = layout.read("xl/_rels/workbook.xml.rels").decode()
    targets = dict(re.findall(r'<Relationship Id="(\w+)"[^>]*Target="([^"]+)"', links))
    return {
        name: f"xl/{targets[link]}"
        for name, link in re.findall(r'<sheet name="([^"]+)"[^>]*r:id="(\w+)"', book)
    }


def _at_specimen(content: bytes) -> tuple[bytes, dict[str, int], bytes]:
    """Split a sheet at its specimen row; gives the number of each cell format by name."""
    found = re.search(rb'<row r="2".*?</row>', content)
    if found is None:
        raise ValueError("a laid-out sheet has no specimen row")
    numbers = re.findall(rb'<c r="[A-Z]+2"(?: s="(\d+)")?/>', found[0])
    styles = {name: int(number or 0) for name, number in zip(NUMBER_FORMATS, numbers, strict=True)}
    return content[: found.start()], styles, content[found.end() :]


def _formats(rows: pa.Table, columns: Mapping[str, Column]) -> dict[str, str | list[str]]:
    """Name each column's number format: by its unit, or by the unit that each row names."""
    units = rows.column("unit").to_pylist() if "unit" in rows.column_names else None
    formats: dict[str, str | list[str]] = {}
    for name in rows.column_names:
        unit = columns[name].unit if name in columns else ""
        if units and (unit == ROW_UNIT or unit.startswith(PER)):
            formats[name] = [row if row in NUMBER_FORMATS else "" for row in units]
        else:
            formats[name] = unit if unit in NUMBER_FORMATS else ""
    return formats


def _width(head: str, name: str, sheet: WorkbookSheet) -> int:
    values = sheet.sample.column(name).to_pylist()
    longest = max((len(_brief(value)) for value in values if value is not None), default=0)
    # A long head wraps at no blank, so it keeps its length up to a point.
    return min(max(WIDTHS[0], min(len(head), 24) + 3, longest + 1), WIDTHS[1])


def _brief(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)
