"""Parquet in and out: declared columns, sorted rows, provenance in the file, whole files only.

Nothing here asks for pyarrow.compute (as casts, sorts and takes of pyarrow do): importing it takes
a sixth of a small job's start.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby, pairwise
from operator import itemgetter
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from grooveledger import __version__
from grooveledger.schemas.table import Table
from grooveledger.storage.atomic_write import written_whole

#: Prefix of our own keys in a Parquet file's metadata.
METADATA_PREFIX = "grooveledger."
#: Rows of a row group, about: a table's are in memory together.
GROUP_ROWS = 1 << 19


def build(table: Table, columns: Mapping[str, Any]) -> pa.Table:
    """Make a table as declared from columns of equal length.

    Parameters
    ----------
    table : Table
        The declaration, from `grooveledger.schemas`.
    columns : mapping
        Every declared column, as an array, a list, or one value for all rows. NaN becomes null.

    Returns
    -------
    pyarrow.Table
        Columns in the declared order and types, rows sorted by the table's key.
    """
    missing = set(table.names) ^ set(columns)
    if missing:
        raise ValueError(
            f"table {table.name}: columns given and declared differ in {sorted(missing)}"
        )
    lengths = {len(values) for values in columns.values() if _is_column(values)}
    if len(lengths) > 1:
        raise ValueError(f"table {table.name}: columns of unequal length {sorted(lengths)}")
    rows = lengths.pop() if lengths else 1
    arrays = [_array(columns[column.name], column.type, rows) for column in table.columns]
    # One value for all rows puts none before another.
    key = [name for name in table.key if _is_column(columns[name])]
    return in_order(pa.Table.from_arrays(arrays, schema=table.schema), key)


def empty(table: Table) -> pa.Table:
    """Return the table with no rows."""
    return table.schema.empty_table()


def concat(table: Table, parts: Iterable[pa.Table]) -> pa.Table:
    """Join tables of one kind, each sorted by its key as `build` leaves it, and sort the whole."""
    filled = [part for part in parts if part.num_rows]
    rows = pa.concat_tables([table.schema.empty_table(), *filled])
    ends = [[_place(part, row, table.key) for row in (0, part.num_rows - 1)] for part in filled]
    if all(last <= first for (_, last), (first, _) in pairwise(ends)):
        return rows
    return in_order(rows, table.key)


def in_order(rows: pa.Table, key: Sequence[str]) -> pa.Table:
    """Sort rows by the key's columns, ascending and null last."""
    if not key:
        return rows
    order = np.lexsort([_rank(column_array(rows, name)) for name in reversed(key)])
    if np.array_equal(order, np.arange(rows.num_rows)):
        return rows
    columns = [
        pa.array(column.to_numpy()[order], column.type, from_pandas=True) for column in rows.columns
    ]
    return pa.Table.from_arrays(columns, schema=rows.schema)


def write(table: Table, rows: pa.Table, path: str | Path, provenance: Mapping[str, str]) -> None:
    """Write a table whole or not at all.

    Parameters
    ----------
    rows : pyarrow.Table
        The table's content, as `build` or `concat` make it.
    provenance : mapping
        Text that says what the table came from (digests of code and configuration).
    """
    write_parts(table, [rows], path, provenance)


def write_parts(
    table: Table, parts: Iterable[pa.Table], path: str | Path, provenance: Mapping[str, str]
) -> None:
    """Write a table whole or not at all, from parts that follow one another in its key's order.

    This many rows are held as a row group of the file has, whatever the table's length. Whatever
    the parts raise goes on, and leaves the file that was there.
    """
    facts = {"table": table.name, "revision": str(table.revision), "version": __version__}
    metadata = {METADATA_PREFIX + key: text for key, text in {**facts, **provenance}.items()}
    schema = table.schema.with_metadata(metadata)
    # Numbers hardly repeat: looking for repeats would double the time.
    texts = [field.name for field in schema if pa.types.is_string(field.type)]
    with (
        written_whole(path) as scratch,
        pq.ParquetWriter(scratch, schema, compression="zstd", use_dictionary=texts) as writer,
    ):
        for rows in _row_groups(table, parts):
            writer.write_table(rows.replace_schema_metadata(metadata))


def _row_groups(table: Table, parts: Iterable[pa.Table]) -> Iterator[pa.Table]:
    """Join parts to tables of `GROUP_ROWS` rows or a little more: one at least, perhaps empty."""
    held, rows = [empty(table)], 0
    for part in parts:
        held.append(part.replace_schema_metadata(None))
        rows += part.num_rows
        if rows >= GROUP_ROWS:
            yield pa.concat_tables(held)
            held, rows = [], 0
    if held:
        yield pa.concat_tables(held)


def read(path: str | Path) -> pa.Table:
    """Read a table that `write` made."""
    # Not read_table: that goes by way of datasets, whose import brings in pandas.
    with pq.ParquetFile(path) as file:
        return file.read(use_threads=False)


def read_columns(path: str | Path) -> dict[str, np.ndarray]:
    """Read a table as `columns` returns it; each text is made once, however often it stands."""
    with pq.ParquetFile(path) as file:
        texts = [field.name for field in file.schema_arrow if pa.types.is_string(field.type)]
    with pq.ParquetFile(path, read_dictionary=texts) as file:
        return columns(file.read(use_threads=False))


def read_by(path: str | Path, name: str) -> Iterator[tuple[str, pa.Table]]:
    """Yield the rows of a table by the first column of its key, a row group in memory at a time.

    Parameters
    ----------
    name : str
        That column, of texts.
    """

    def pieces() -> Iterator[tuple[str, pa.Table]]:
        with pq.ParquetFile(path) as file:
            for group in range(file.num_row_groups):
                rows = file.read_row_group(group, use_threads=False)
                # Texts as numbers: millions of rows have few different ones.
                texts = rows[name].combine_chunks().dictionary_encode()
                codes = texts.indices.to_numpy()
                first = np.flatnonzero(np.diff(codes)) + 1
                for start, stop in pairwise([0, *first.tolist(), len(codes)]):
                    if stop > start:
                        yield texts[start].as_py(), rows.slice(start, stop - start)

    # Rows of one text may lie in several row groups.
    for text, parts in groupby(pieces(), itemgetter(0)):
        yield text, pa.concat_tables([rows for _, rows in parts])


def provenance(path: str | Path) -> dict[str, str]:
    """Read our own metadata of a Parquet file; empty where it has none."""
    return provenance_of(pq.read_schema(path))


def provenance_of(schema: pa.Schema) -> dict[str, str]:
    """Return our own metadata of a table that was read, from its schema."""
    metadata = schema.metadata or {}
    return {
        key.decode().removeprefix(METADATA_PREFIX): text.decode()
        for key, text in metadata.items()
        if key.decode().startswith(METADATA_PREFIX)
    }


def columns(rows: pa.Table) -> dict[str, np.ndarray]:
    """Return columns as numpy arrays: numbers with NaN for null, text as objects with None."""
    return {name: column_array(rows, name) for name in rows.column_names}


def column_array(rows: pa.Table, name: str) -> np.ndarray:
    """Return a column as numpy: numbers as float (NaN for null), truths as bool, text as object."""
    column = rows.column(name)
    if pa.types.is_dictionary(column.type):
        return np.concatenate([np.empty(0, object), *map(_texts, column.chunks)])
    values = column.to_numpy()
    if pa.types.is_boolean(column.type):
        return values == True  # noqa: E712 - null is no truth
    return np.asarray(values, object if pa.types.is_string(column.type) else np.float64)


def _texts(chunk: pa.DictionaryArray) -> np.ndarray:
    """Return the texts of a dictionary's numbers, None for null."""
    texts = np.array([*chunk.dictionary.to_pylist(), None], object)
    place = chunk.indices.to_numpy(zero_copy_only=False)
    return texts[np.nan_to_num(place, nan=-1).astype(int)]


def _is_column(values: object) -> bool:
    return isinstance(values, (Sequence, np.ndarray, pa.Array, pa.ChunkedArray)) and not isinstance(
        values, str
    )


def _array(values: Any, kind: pa.DataType, rows: int) -> pa.Array:
    if not _is_column(values):
        return pa.repeat(pa.scalar(_null_if_nan(values), kind), rows)
    if isinstance(values, pa.ChunkedArray):
        values = values.combine_chunks()
    if isinstance(values, pa.Array):
        return values if values.type == kind else values.cast(kind)
    return pa.array(values, kind, from_pandas=True)  # NaN is null, of objects too


def _null_if_nan(value: Any) -> Any:
    if value is None or isinstance(value, (str, bool, np.bool_)):
        return value.item() if isinstance(value, np.bool_) else value
    value = value.item() if isinstance(value, np.generic) else value
    return None if value != value else value


def _place(rows: pa.Table, row: int, key: Sequence[str]) -> list[tuple[bool, Any]]:
    """Return what a row sorts by, null last."""
    values = [rows.column(name)[row].as_py() for name in key]
    return [(value is None, value) for value in values]


def _rank(values: np.ndarray) -> np.ndarray:
    """Return the numbers that sort as values do."""
    if values.dtype != object:
        return values
    texts = values.tolist()
    distinct = set(texts)
    place = {text: i for i, text in enumerate(sorted(distinct - {None}))}
    place[None] = len(distinct)
    return np.fromiter(map(place.__getitem__, texts), int, len(texts))
