"""Tables for people: rows of a Parquet table as written cells under plain heads."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import pyarrow as pa
import pyarrow.compute as pc
from markupsafe import Markup, escape

from grooveledger.storage import tables
from grooveledger.vocabulary import words

Row = Mapping[str, Any]


class Field(NamedTuple):
    """One column for people: its head, how a row's cell is written, whether it is a number."""

    head: str
    write: Callable[[Row], Any]
    numeric: bool = True


class Grid(NamedTuple):
    """A table ready for a page: heads (label, is a number), cells, and rows that move, if known."""

    heads: list[tuple[str, bool]]
    body: list[list[Any]]
    moving: frozenset[int] | None = None


def grid(
    rows: Iterable[Row], fields: Sequence[Field], moves: Callable[[Row], bool] | None = None
) -> Grid:
    """Write rows under fields; `moves` marks those to which a page can be reduced."""
    rows = list(rows)
    return Grid(
        [(field.head, field.numeric) for field in fields],
        [[field.write(row) for field in fields] for row in rows],
        None if moves is None else frozenset(i for i, row in enumerate(rows) if moves(row)),
    )


def without_empty(table: Grid) -> Grid:
    """Leave out the columns that have nothing in any row."""
    kept = [
        place
        for place in range(len(table.heads))
        if any(cells[place] != words.NONE for cells in table.body)
    ]
    return table._replace(
        heads=[table.heads[place] for place in kept],
        body=[[cells[place] for place in kept] for cells in table.body],
    )


def amount(column: str, head: str, unit: str = "", signed: bool = False) -> Field:
    """Show a column of numbers in a unit; a bound is marked as one where the row is limited."""
    shown = words.unit(unit)

    def write(row: Row) -> Any:
        written = words.figure(row[column], unit, signed)
        if row.get("limited") and written != words.NONE:
            return Markup('<span class="bound">bound {}</span>').format(written)
        return written

    return Field(f"{head} ({shown})" if shown else head, write)


def whole(column: str, head: str) -> Field:
    """Show a column of whole numbers."""
    return Field(head, lambda row: words.number(row[column], 0))


def text(column: str, head: str) -> Field:
    """Show a column of text."""
    return Field(head, lambda row: row[column] or words.NONE, numeric=False)


def tag(kind: str | None, shown: str | None = None) -> Markup:
    """Mark a status or verdict word."""
    if not kind:
        return escape(words.NONE)
    return Markup('<span class="tag {}">{}</span>').format(kind, shown or kind)


def link(href: str, shown: str) -> Markup:
    """Make a link with both parts escaped."""
    return Markup('<a href="{}">{}</a>').format(href, shown)


def chosen(path: Path, **wanted: str) -> pa.Table:
    """Return the rows of a table whose text columns equal the wanted values."""
    rows = tables.read(path)
    for name, value in wanted.items():
        rows = rows.filter(pc.equal(rows.column(name), value))
    return rows


def rows_of(path: Path, **wanted: str) -> list[dict[str, Any]]:
    """Return the rows of a table as mappings, those wanted; none where the file is not there."""
    return chosen(path, **wanted).to_pylist() if path.exists() else []
