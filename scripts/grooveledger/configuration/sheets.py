"""Read tab-separated sheets as spreadsheet programs and people write them, each cell checked."""

import csv
import datetime
import io
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.suggestions import listed, suggestion
from grooveledger.configuration.text_files import read_text
from grooveledger.configuration.validation import Problem, checked, give, shown
from grooveledger.faults import Fault

_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?", re.ASCII)
_COMMA_NUMBER = re.compile(r"[-+]?\d*,\d+|[-+]?\d{1,3}(\.\d{3})*,\d+", re.ASCII)
#: A first cell that begins so makes its row a comment.
COMMENT = "#"
#: Dates outside these years are typing errors.
YEARS = (1900, 2100)


class Row(NamedTuple):
    """One row of a sheet: its number as a spreadsheet program shows it, and its typed values.

    A cell that is blank takes its column's default; one that is wrong is None, its fault reported.
    """

    number: int
    values: dict[str, Any]


def read_sheet(path: Path, name: str, schema_name: str, faults: Faults) -> list[Row] | None:
    """Read a tab-separated sheet against the schema of its rows.

    Parameters
    ----------
    path : Path
        The file: UTF-8, with or without byte-order mark, any line ends; cells may be quoted. Rows
        whose first cell begins with ``#`` and rows without content are passed over.
    name : str
        What the person calls it, for the faults.
    schema_name : str
        The schema of a row.
    faults : Faults
        Collects what is wrong.

    Returns
    -------
    list of Row or None
        None where the file or its header can't be read.
    """
    text = read_text(path, name, faults)
    return None if text is None else parse_sheet(text, name, schema_name, faults)


def parse_sheet(text: str, name: str, schema_name: str, faults: Faults) -> list[Row] | None:
    """Make rows of a sheet's text, see `read_sheet`."""
    rows = sheet_cells(text, name, faults)
    if rows is None:
        return None
    row_schema = schema(schema_name)
    if not rows:
        columns = listed(row_schema["properties"])
        faults.add(name, "", "has no header row", f"Its columns: {columns}.")
        return None
    header_number, header = rows[0]
    if not _header_ok(header, header_number, row_schema, name, faults):
        return None
    readers = [_CellReader(row_schema, column) if column else None for column in header]
    absent = {
        column: child.get("default")
        for column, child in row_schema["properties"].items()
        if column not in header
    }
    result = []
    for number, cells in rows[1:]:
        if any(cells[len(header) :]):
            problem = f"has {len(cells)} cells where the header has {len(header)}"
            faults.add(name, f"row {number}", problem, "Remove the surplus tab or cell.")
        values = dict(absent)
        padded = cells + [""] * (len(header) - len(cells))
        for reader, cell in zip(readers, padded, strict=False):
            if reader is None:
                if cell:
                    place = f"row {number}"
                    problem = f"{shown(cell)} is in a column without a name"
                    faults.add(name, place, problem, "Name the column or clear it.")
                continue
            value, problems = reader.read(cell)
            values[reader.column] = value
            place = f"row {number}, {reader.column}"
            faults.extend([Fault(name, place, each.problem, each.remedy) for each in problems])
        result.append(Row(number, values))
    return result


def duplicates(rows: Iterable[Row], columns: tuple[str, ...], name: str, faults: Faults) -> None:
    """Report rows that have the same values in the columns as an earlier row.

    Capitals make no difference: an id names a folder, and some file systems ignore them.
    """
    first: dict[tuple[Any, ...], int] = {}
    for number, values in rows:
        cells = [values[column] for column in columns]
        if None in cells:
            continue
        key = tuple(cell.casefold() if isinstance(cell, str) else cell for cell in cells)
        earlier = first.setdefault(key, number)
        if earlier != number:
            problem = f"{', '.join(map(shown, cells))} is in row {earlier} already"
            place = f"row {number}, {', '.join(columns)}"
            faults.add(
                name, place, problem, "Each may be there once (capitals make no difference)."
            )


def day(text: str) -> datetime.date:
    """Return the day of an ISO date or date-time that a sheet's schema let pass."""
    return datetime.date.fromisoformat(text[:10])


def sheet_cells(text: str, name: str, faults: Faults) -> list[tuple[int, list[str]]] | None:
    """Return rows with content, comments left out, cells stripped, with their numbers from 1."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter="\t", strict=True)
    rows: list[tuple[int, list[str]]] = []
    number = 0
    try:
        for number, cells in enumerate(reader, start=1):
            stripped = [cell.strip() for cell in cells]
            if any(stripped) and not stripped[0].startswith(COMMENT):
                rows.append((number, stripped))
    except csv.Error as error:
        problem = f"can't be split into cells: {error}"
        remedy = (
            'A cell that begins with a quotation mark must end with one; "" stands for one in it.'
        )
        faults.add(name, f"row {number + 1}", problem, remedy)
        return None
    return rows


def _header_ok(
    header: list[str],
    number: int,
    row_schema: Mapping[str, Any],
    name: str,
    faults: Faults,
) -> bool:
    """Report unknown, doubled and missing columns; false where the rows can't be read at all."""
    columns = row_schema["properties"]
    named = [column for column in header if column]
    if len(named) == 1 and named[0] not in columns and re.search("[,;|]", named[0]):
        problem = f"has the columns separated by '{re.search('[,;|]', named[0])[0]}'"  # type: ignore[index]
        faults.add(name, f"row {number}", problem, "Save it as tab-separated text.")
        return False
    before = len(faults)
    free = [column for column in columns if column not in named]
    meant: set[str] = set()
    for place, column in enumerate(header):
        if column and column in header[:place]:
            where = f"row {number}, {column}"
            faults.add(name, where, "is a column twice", "Remove one of the two.")
        elif column and column not in columns:
            remedy = suggestion(column, free or columns, "columns")
            meant.update(option for option in free if remedy == f"Did you mean '{option}'?")
            where = f"row {number}, {shown(column)}"
            faults.add(name, where, "is an unknown column", remedy)
    for column in row_schema["required"]:
        if column in free and column not in meant:
            remedy = f"Add it, tab-separated. {columns[column]['description']}"
            faults.add(name, f"row {number}, {column}", "the column is missing", remedy)
    return len(faults) == before


class _CellReader:
    """Reads the cells of one column; what a text means is worked out once."""

    def __init__(self, row_schema: Mapping[str, Any], column: str) -> None:
        self.column = column
        self._schema = row_schema["properties"][column]
        self._required = column in row_schema["required"]
        self._known: dict[str, tuple[Any, list[Problem]]] = {}
        kinds = self._schema["type"]
        self._numeric = "number" in kinds or "integer" in kinds
        self._dated = r"\d{4}-\d{2}-\d{2}" in self._schema.get("pattern", "")

    def read(self, cell: str) -> tuple[Any, list[Problem]]:
        if cell not in self._known:
            self._known[cell] = self._read(cell)
        return self._known[cell]

    def _read(self, cell: str) -> tuple[Any, list[Problem]]:
        if not cell:
            blank = Problem((), "is blank", give(self._schema))
            return self._schema.get("default"), [blank] if self._required else []
        value: Any = cell
        if self._numeric:
            if _COMMA_NUMBER.fullmatch(cell):
                problem = f"{shown(cell)} has a decimal comma"
                return None, [Problem((), problem, "Write it with a point, 21.5 for 21,5.")]
            if _NUMBER.fullmatch(cell):
                value = float(cell)
        value, problems = checked(value, self._schema)
        if self._dated and value is not None and not _is_date(value):
            problem = f"{shown(value)} is no date of the calendar"
            return None, [Problem((), problem, give(self._schema))]
        return value, problems


def _is_date(text: str) -> bool:
    try:
        moment = datetime.datetime.fromisoformat(text)
    except ValueError:
        return False
    return YEARS[0] <= moment.year <= YEARS[1]
