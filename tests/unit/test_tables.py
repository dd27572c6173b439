"""Tables written in parts, and what their end tells of their origin."""

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from grooveledger import tables
from grooveledger.schemas.table import CAPTURE, Table, real
from grooveledger.staleness import _made_from

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
    assert _made_from(path, "0123456789ab")
    assert not _made_from(path, "ba9876543210")
    whole = path.read_bytes()
    # Cut short, or empty, it is nobody's.
    for length in (0, 4, 7, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:length])
        assert not _made_from(path, "0123456789ab")
