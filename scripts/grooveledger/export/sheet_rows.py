"""Rows of a sheet as the XML of a workbook (ISO/IEC 29500-1, 18.3), a column at a time.

A workbook library writes cell by cell, which takes minutes for an archive of a thousand captures;
whole columns take seconds, and only one stretch of a table is in memory.
"""

import datetime
import re
from collections.abc import Iterator, Mapping, Sequence

import pyarrow as pa
import pyarrow.compute as pc

#: Rows made at a time.
STRETCH = 20_000
#: Characters of a cell in common spreadsheet programs.
CELL_CHARACTERS = 32_767
#: Columns that hold ISO 8601 dates or date-times.
DATES = frozenset({"captured_at"})
_DATE = re.compile(r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?)?")
#: Day 0 of a spreadsheet, for dates from March 1900 on.
DAY_ZERO = datetime.datetime(1899, 12, 30)
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")
_MARKUP = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;"})


def row_stretches(
    rows: pa.Table,
    first_line: int,
    styles: Mapping[str, int],
    formats: Mapping[str, str | Sequence[str | None]],
) -> Iterator[bytes]:
    """Yield the rows of a table as XML, a stretch at a time.

    Parameters
    ----------
    rows : pyarrow.Table
        Columns of text, numbers and truth values.
    first_line : int
        Line of the sheet, from 1, of the first row.
    styles : mapping
        Number of the cell format in the workbook, by the format's name; holds `day` and `time`.
    formats : mapping
        Name of the format of a column's numbers by column, or one name a row of the table.
    """
    for start in range(0, rows.num_rows, STRETCH):
        part = rows.slice(start, STRETCH).combine_chunks()
        lines = pa.array(range(first_line + start, first_line + start + part.num_rows)).cast(
            pa.string()
        )
        cells = []
        for place, field in enumerate(part.schema):
            column = part.column(place).combine_chunks()
            wanted = formats.get(field.name, "")
            names = wanted if isinstance(wanted, str) else wanted[start : start + part.num_rows]
            content = _content(field, column, styles, names)
            where = pc.binary_join_element_wise(f'<c r="{letters(place)}', lines, content, "")
            cells.append(pc.fill_null(where, ""))
        whole = pc.binary_join_element_wise('<row r="', lines, '">', *cells, "</row>", "")
        yield _joined(whole)


def _content(
    field: pa.Field,
    column: pa.Array,
    styles: Mapping[str, int],
    names: str | Sequence[str | None],
) -> pa.Array:
    """Return what follows a cell's place: by the column's type, never by the look of a text."""
    if pa.types.is_boolean(field.type):
        return pc.if_else(column, '" t="b"><v>1</v></c>', '" t="b"><v>0</v></c>')
    if pa.types.is_string(field.type):
        known = column.dictionary_encode()
        texts = [_text(text, field.name in DATES, styles) for text in known.dictionary.to_pylist()]
        return pa.array(texts, pa.string()).take(known.indices)
    if pa.types.is_floating(field.type):
        column = pc.if_else(pc.is_finite(column), column, None)
    values = column.cast(pa.string())
    if isinstance(names, str):
        return pc.binary_join_element_wise(f'" s="{styles[names]}"><v>', values, "</v></c>", "")
    numbers = pa.array([str(styles[name or ""]) for name in names])
    return pc.binary_join_element_wise('" s="', numbers, '"><v>', values, "</v></c>", "")


def _text(text: str, is_date: bool, styles: Mapping[str, int]) -> str:
    # A time with a zone, or of a year that a spreadsheet can't count, stays text.
    if is_date and _DATE.fullmatch(text) and "1900-03-01" <= text < "9999":
        since = datetime.datetime.fromisoformat(text) - DAY_ZERO
        style = styles["time" if len(text) > 10 else "day"]
        return f'" s="{style}"><v>{since / datetime.timedelta(days=1)!r}</v></c>'
    kept = text[:CELL_CHARACTERS].translate(_MARKUP)
    kept = _CONTROL.sub(lambda match: f"_x{ord(match[0]):04X}_", kept)
    return f'" t="inlineStr"><is><t xml:space="preserve">{kept}</t></is></c>'


def letters(place: int) -> str:
    """Name a column by its place from 0.

    >>> letters(0), letters(25), letters(26), letters(702)
    ('A', 'Z', 'AA', 'AAA')
    """
    name = ""
    place += 1
    while place:
        place, digit = divmod(place - 1, 26)
        name = chr(ord("A") + digit) + name
    return name


def _joined(texts: pa.Array) -> bytes:
    """Join the texts of an array, which lie one after another in its buffer already."""
    _, offsets, data = texts.buffers()
    ends = memoryview(offsets).cast("i")
    first, last = ends[texts.offset], ends[texts.offset + len(texts)]
    return bytes(memoryview(data)[first:last])
