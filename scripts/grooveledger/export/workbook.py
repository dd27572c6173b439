"""The archive as one workbook: a sheet a table, typed cells, no formula."""

import datetime
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import pyarrow as pa
import xlsxwriter

from grooveledger import __version__
from grooveledger.export.all_tables import TABLES
from grooveledger.export.spreadsheet_rows import wide_metrics
from grooveledger.schemas.table import Table
from grooveledger.storage import tables
from grooveledger.storage.atomic_write import written_whole

#: Rows of a sheet in the xlsx format (ISO/IEC 29500 as common programs limit it).
SHEET_ROWS = 1_048_576
#: Characters of a cell in the same programs.
CELL_CHARACTERS = 32_767
#: Characters of a sheet's name.
NAME_CHARACTERS = 31
#: Written into the file instead of the clock's time, so that the same tables give the same bytes.
CREATED = datetime.datetime(2000, 1, 1)
#: Widths of columns in characters, least and most.
WIDTHS = (6, 40)
#: This many rows are looked at for a column's width.
WIDTH_SAMPLE = 200
#: Columns that hold ISO 8601 dates or date-times.
DATES = frozenset({"captured_at"})
_DATE = re.compile(r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?)?")
WIDE = "metrics_wide"
WIDE_MEANING = (
    "One row a capture, one column a figure and channel, ready for a pivot table; bounds left out "
    "and named in the last column. One header row; the names carry the units."
)


class Sheet(NamedTuple):
    """One sheet to be: rows of a table, or a part of them."""

    name: str
    meaning: str
    rows: pa.Table
    units: dict[str, str] | None
    part: str = ""


def write(
    paths: Iterable[Path],
    path: Path,
    sheet_rows: int = SHEET_ROWS,
    declared: Mapping[str, Table] = TABLES,
) -> None:
    """Write a workbook of tables.

    Parameters
    ----------
    paths : iterable of Path
        Parquet files in the order of the sheets; the file's stem is the table's name.
    path : Path
        The workbook.
    sheet_rows : int
        Rows that a sheet can hold, headers included; a longer table goes on in further sheets.
    declared : mapping of str to Table
        Where the tables' meanings and units are explained, by the table's name.
    """
    sheets = [sheet for table in paths for sheet in _sheets(table, sheet_rows, declared.get)]
    options = {
        "constant_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    with written_whole(path) as scratch, xlsxwriter.Workbook(scratch, options) as book:
        book.set_properties({"title": "Archive tables", "created": CREATED})
        formats = _formats(book)
        _front(book, formats, sheets)
        for sheet in sheets:
            _fill(book, formats, sheet)


def _sheets(
    path: Path, sheet_rows: int, declaration: Callable[[str], Table | None]
) -> Iterator[Sheet]:
    name, rows = path.stem, tables.read(path)
    if name == "metrics":
        # A pivot table wants one header row, so the wide form goes without a row of units.
        yield from _split(Sheet(WIDE, WIDE_MEANING, wide_metrics(rows), None), sheet_rows - 1)
    declared = declaration(name)
    meaning = declared.meaning if declared else ""
    units = {column.name: column.unit for column in declared.columns} if declared else {}
    yield from _split(Sheet(name, meaning, rows, units), sheet_rows - 2)


def _split(sheet: Sheet, room: int) -> Iterator[Sheet]:
    """Give the sheet whole, or its parts where it has more rows than there is room."""
    parts = max(1, math.ceil(sheet.rows.num_rows / room))
    for part in range(parts):
        ending = f" {part + 1}" if parts > 1 else ""
        yield sheet._replace(
            name=sheet.name[: NAME_CHARACTERS - len(ending)] + ending,
            rows=sheet.rows.slice(part * room, room),
            part=f"part {part + 1} of {parts}: too long for one sheet" if parts > 1 else "",
        )


def _formats(book: xlsxwriter.Workbook) -> dict[str, Any]:
    return {
        "head": book.add_format({"bold": True, "bottom": 1, "bg_color": "#ECE7D6"}),
        "unit": book.add_format({"italic": True, "font_color": "#4B555B", "bottom": 1}),
        "day": book.add_format({"num_format": "yyyy-mm-dd"}),
        "time": book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"}),
        "title": book.add_format({"bold": True, "font_size": 15}),
        "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
    }


def _front(book: xlsxwriter.Workbook, formats: dict[str, Any], sheets: list[Sheet]) -> None:
    """Explain the other sheets on the first one."""
    page = book.add_worksheet("about")
    page.set_column(0, 0, 24)
    page.set_column(1, 1, 90)
    page.set_column(2, 2, 12)
    page.write_string(0, 0, "Groove Ledger: the archive's tables", formats["title"])
    notes = (
        f"Written by version {__version__} from the archive's tables, as a copy of them.",
        "First row: names of the columns; second row: their units. An empty cell means no figure.",
        "A row whose 'limited' is true holds a bound, because the noise floor hides the figure.",
        "Tables join on 'capture' to the sheet 'captures'. Dates are dates, without a time zone.",
        f"Text of more than {CELL_CHARACTERS} characters is cut there: a cell holds no more.",
    )
    for line, note in enumerate(notes, start=2):
        page.write_string(line, 0, note)
    top = len(notes) + 3
    for column, head in enumerate(("sheet", "what it holds", "rows")):
        page.write_string(top, column, head, formats["head"])
    for line, sheet in enumerate(sheets, start=top + 1):
        # The target is one of our own sheets' names, nothing that a person typed.
        page.write_url(line, 0, f"internal:'{sheet.name}'!A1", string=sheet.name)
        told = f"{sheet.meaning} ({sheet.part})" if sheet.part else sheet.meaning
        page.write_string(line, 1, told, formats["wrap"])
        page.write_number(line, 2, sheet.rows.num_rows)


def _fill(book: xlsxwriter.Workbook, formats: dict[str, Any], sheet: Sheet) -> None:
    page = book.add_worksheet(sheet.name)
    names = sheet.rows.column_names
    heads = 1 if sheet.units is None else 2
    for column, name in enumerate(names):
        page.set_column(column, column, _width(name, sheet))
    for column, name in enumerate(names):
        page.write_string(0, column, name, formats["head"])
    if sheet.units is not None:
        for column, name in enumerate(names):
            page.write_string(1, column, sheet.units.get(name, ""), formats["unit"])
    page.freeze_panes(heads, 1)
    last = heads - 1 + sheet.rows.num_rows
    if names:
        page.autofilter(heads - 1, 0, max(last, heads - 1), len(names) - 1)
    writers = [_writer(page, formats, field) for field in sheet.rows.schema]
    line = heads
    for batch in sheet.rows.to_batches(max_chunksize=10_000):
        for cells in zip(*(column.to_pylist() for column in batch.columns), strict=True):
            for column, (put, value) in enumerate(zip(writers, cells, strict=True)):
                if value is not None:
                    put(line, column, value)
            line += 1


def _writer(page: Any, formats: dict[str, Any], field: pa.Field) -> Any:
    """Give what writes the cells of a column: by the column's type, never by the look of a text."""
    if pa.types.is_boolean(field.type):
        return page.write_boolean
    if not pa.types.is_string(field.type):
        return page.write_number

    def text(line: int, column: int, value: str) -> None:
        page.write_string(line, column, value[:CELL_CHARACTERS])

    def date(line: int, column: int, value: str) -> None:
        # A time with a zone, or of a year that a spreadsheet can't count, stays text.
        if not _DATE.fullmatch(value) or not "1900-03-01" <= value < "9999":
            text(line, column, value)
            return
        moment = datetime.datetime.fromisoformat(value)
        page.write_datetime(line, column, moment, formats["time" if len(value) > 10 else "day"])

    return date if field.name in DATES else text


def _width(name: str, sheet: Sheet) -> int:
    values = sheet.rows.column(name).slice(0, WIDTH_SAMPLE).to_pylist()
    longest = max((len(_brief(value)) for value in values if value is not None), default=0)
    return min(max(WIDTHS[0], len(name) + 3, longest + 1), WIDTHS[1])


def _brief(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)
