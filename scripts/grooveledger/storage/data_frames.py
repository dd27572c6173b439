"""Declared tables as data frames and back, for stage 5, which joins and reshapes."""

from pathlib import Path

import pandas as pd
import pyarrow as pa

from grooveledger.schemas.table import Table
from grooveledger.storage import tables


def read(path: str | Path) -> pd.DataFrame:
    """Read a table; null is NaN or None."""
    frame: pd.DataFrame = tables.read(path).to_pandas()
    return frame


def rows(table: Table, frame: pd.DataFrame) -> pa.Table:
    """Make a declared table from a frame that has at least its columns; NaN becomes null."""
    missing = set(table.names) - set(frame.columns)
    if missing:
        raise ValueError(f"table {table.name}: the frame lacks {sorted(missing)}")
    made = pa.Table.from_pandas(
        frame[list(table.names)], schema=table.schema, preserve_index=False
    ).replace_schema_metadata(None)
    return tables.in_order(made, table.key)
