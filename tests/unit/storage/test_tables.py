"""Tables written in parts, and what their end tells of their origin."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from grooveledger.schemas.segment import TRACKS
from grooveledger.schemas.table import CAPTURE, TRACK, TRUTH, Column, Table, real
from grooveledger.storage import tables
from grooveledger.storage.provenance import made_from

TABLE = Table(
    "made", "measure", "A table of the tests.", ("capture",), (CAPTURE, real("x", "", ""))
)


def part(capture: str, rows: int) -> pa.Table:
    return tables.build(TABLE, {"capture": capture, "x": [float(i) for i in range(rows)]})


def test_parts_become_row_groups_and_read_back_as_one(tmp_path, monkeypatch):
    monkeypatch.setattr(tables, "GROUP_ROWS", 5)
    parts = [part(name, 3) for name in "abcd"]
    tables.write_parts(TABLE, iter(parts), tmp_path / "t.parquet", {"job": "j"})
    assert pq.ParquetFile(tmp_path / "t.parquet").num_row_groups == 2
    assert tables.read(tmp_path / "t.parquet").equals(pa.concat_tables(parts))
    assert tables.provenance(tmp_path / "t.parquet")["job"] == "j"


@pytest.mark.parametrize("captures", [[], ["b", "a", "b"], ["a", None, "a"], [None, None]])
def test_columns_that_are_read_are_those_of_the_table(tmp_path, captures):
    rows = tables.build(TABLE, {"capture": captures, "x": [float(len(captures))] * len(captures)})
    tables.write(TABLE, rows, tmp_path / "t.parquet", {})
    read, expected = tables.read_columns(tmp_path / "t.parquet"), tables.columns(rows)
    assert list(read) == list(expected)
    for name, values in expected.items():
        assert read[name].dtype == values.dtype
        assert read[name].tolist() == values.tolist()


def test_no_parts_are_an_empty_table(tmp_path):
    tables.write_parts(TABLE, [], tmp_path / "t.parquet", {})
    assert tables.read(tmp_path / "t.parquet").num_rows == 0


def test_what_the_parts_raise_leaves_the_file_that_was_there(tmp_path):
    path = tmp_path / "t.parquet"
    tables.write(TABLE, part("a", 2), path, {"job": "before"})

    def failing():
        yield part("b", 2)
        raise KeyError("b")

    with pytest.raises(KeyError):
        tables.write_parts(TABLE, failing(), path, {"job": "after"})
    assert tables.provenance(path)["job"] == "before"
    assert list(tmp_path.iterdir()) == [path]


def test_the_end_of_a_table_tells_whose_it_is(tmp_path):
    path = tmp_path / "t.parquet"
    tables.write(TABLE, part("a", 2), path, {"job": "0123456789ab"})
    assert made_from(path, "0123456789ab")
    assert not made_from(path, "ba9876543210")
    whole = path.read_bytes()
    # Cut short, or empty, it is nobody's.
    for length in (0, 4, 7, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:length])
        assert not made_from(path, "0123456789ab")


MIXED = Table(
    "mixed",
    "measure",
    "A table of the tests.",
    ("capture", "track", "x"),
    (CAPTURE, TRACK, real("x", "", ""), Column("told", TRUTH, "", "")),
)


def test_rows_are_sorted_by_the_key_with_null_last():
    rows = tables.build(
        MIXED,
        {
            "capture": ["b", "a", None, "a", "a", "a"],
            "track": np.array([1.0, np.nan, 2.0, 3.0, 3.0, 1.0]),
            "x": [1.0, 2.0, 3.0, float("nan"), -4.0, 5.0],
            "told": [True, None, False, True, False, None],
        },
    )
    assert [tuple(row.values()) for row in rows.to_pylist()] == [
        ("a", 1, 5.0, None),
        ("a", 3, -4.0, False),
        ("a", 3, None, True),
        ("a", None, 2.0, None),
        ("b", 1, 1.0, True),
        (None, 2, 3.0, False),
    ]
    assert rows.schema.equals(MIXED.schema)
    by_pyarrow = rows.take([3, 1, 5, 0, 2, 4]).sort_by([(name, "ascending") for name in MIXED.key])
    assert rows.equals(by_pyarrow)
    assert tables.concat(MIXED, [rows.slice(3), rows.slice(0, 3)]).equals(rows)
    assert tables.concat(MIXED, [rows.slice(0, 4), rows.slice(4)]).equals(rows)
    # Parts that interleave.
    assert tables.concat(MIXED, [rows.take([0, 2, 5]), rows.take([1, 3, 4])]).equals(rows)


def test_a_small_job_starts_without_what_only_casts_and_sorts_of_pyarrow_want(tmp_path):
    work = f"""
import sys
import block_pandas
import numpy as np
from grooveledger.storage import tables
from grooveledger.schemas.segment import TRACKS
values = {{name: None for name in TRACKS.names}} | {{"capture": "c", "track": np.array([2, 1])}}
rows = tables.concat(TRACKS, [tables.build(TRACKS, values), tables.empty(TRACKS)])
tables.write(TRACKS, rows, {str(tmp_path / "t.parquet")!r}, {{}})
tables.columns(tables.read({str(tmp_path / "t.parquet")!r}))
print("pyarrow.compute" in sys.modules)
"""
    scripts = Path(tables.__file__).parents[2]
    done = subprocess.run(
        [sys.executable, "-c", work],
        cwd=scripts / "rules",
        env={"PYTHONPATH": str(scripts)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "False"


def test_a_file_says_what_its_columns_are(tmp_path):
    """Whoever opens a table with another program reads units and meanings in it."""
    path = tmp_path / "table.parquet"
    tables.write(TRACKS, tables.empty(TRACKS), path, {})
    fields = pq.read_schema(path)
    for column in TRACKS.columns:
        described = fields.field(column.name).metadata
        assert described[b"meaning"].decode() == column.meaning
        assert described.get(b"unit", b"").decode() == column.unit
