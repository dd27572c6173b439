"""Tables as CSV: UTF-8, ISO dates, one file a table, no cell that a spreadsheet would run.

A text cell that begins with one of = + - @, a tab or a carriage return gets an apostrophe in front,
since spreadsheet programs take such text for a formula even from CSV. Numbers are left as they are.
A null is an empty cell, an empty text a quoted one.
"""

from collections.abc import Iterable
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv

from grooveledger.export.spreadsheet_rows import wide_metrics
from grooveledger.storage import tables
from grooveledger.storage.atomic_write import written_whole

#: Beginnings of text that spreadsheet programs take for a formula (common practice).
FORMULA_START = "^[=+\\-@\\t\\r]"


def harmless(rows: pa.Table) -> pa.Table:
    """Put an apostrophe before text that a spreadsheet would take for a formula."""
    for index, field in enumerate(rows.schema):
        if not pa.types.is_string(field.type):
            continue
        column = rows.column(index)
        risky = pc.fill_null(pc.match_substring_regex(column, FORMULA_START), False)
        if pc.any(risky).as_py():
            guarded = pc.binary_join_element_wise("'", column, "")
            rows = rows.set_column(index, field, pc.if_else(risky, guarded, column))
    return rows


def write(paths: Iterable[Path], folder: Path) -> None:
    """Write tables as CSV files of the same names, and the wide metrics beside them.

    Parameters
    ----------
    paths : iterable of Path
        Parquet files; the file's stem is the table's name.
    folder : Path
        Where the CSV files go.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for path in paths:
        rows = tables.read(path)
        _write_one(rows, folder / f"{path.stem}.csv")
        if path.stem == "metrics":
            _write_one(wide_metrics(rows), folder / "metrics_wide.csv")


def _write_one(rows: pa.Table, path: Path) -> None:
    with written_whole(path) as scratch:
        csv.write_csv(harmless(rows), scratch)
