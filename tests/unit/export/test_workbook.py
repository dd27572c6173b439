"""The workbook and the CSV files hold what the tables hold, and run nothing."""

import datetime
import shutil
import subprocess
from pathlib import Path
from typing import Any

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from pyarrow import csv

import make_archive
from grooveledger.export import csv_files, workbook
from grooveledger.export.spreadsheet_rows import wide_metrics
from grooveledger.storage import tables

NAMES = (
    "captures",
    "metrics",
    "drift",
    "level",
    "response",
    "distortion",
    "tracking_ability",
    "ratings",
)
NASTY = (
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "<script>alert(1)</script>",
    '"quoted"',
    "",
)


@pytest.fixture(scope="module")
def paths(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    results = tmp_path_factory.mktemp("archive")
    make_archive.write_archive(results, 6)
    return [results / "tables" / f"{name}.parquet" for name in NAMES]


def cells(sheet: Any, heads: int = 2) -> list[dict[str, Any]]:
    rows = list(sheet.iter_rows(values_only=True))
    return [dict(zip(rows[0], row, strict=True)) for row in rows[heads:]]


def expected(row: dict[str, Any]) -> dict[str, Any]:
    """A Parquet row as a spreadsheet should give it back."""
    row = {name: None if value == "" else value for name, value in row.items()}
    if row.get("captured_at"):
        row["captured_at"] = datetime.datetime.fromisoformat(row["captured_at"])
    return row


def assert_same(found: list[dict[str, Any]], rows: pa.Table) -> None:
    wanted = [expected(row) for row in rows.to_pylist()]
    assert len(found) == len(wanted)
    for got, want in zip(found, wanted, strict=True):
        assert list(got) == list(want)
        for name, value in want.items():
            if isinstance(value, (bool, str, datetime.datetime)):
                assert got[name] == value
                assert type(got[name]) is type(value)
            elif value is None:
                assert got[name] in (None, "")
            else:
                assert not isinstance(got[name], (bool, str))
                assert got[name] == pytest.approx(value, rel=1e-15)


def test_reads_back_equal_to_the_tables_types_included(paths: list[Path], tmp_path: Path) -> None:
    workbook.write(paths, tmp_path / "a.xlsx")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert book.sheetnames == ["about", "captures", "metrics_wide", *NAMES[1:]]
    for path in paths:
        assert_same(cells(book[path.stem]), tables.read(path))
    assert_same(
        cells(book["metrics_wide"], 1), wide_metrics(tables.read(paths[NAMES.index("metrics")]))
    )


def test_headers_units_frozen_filtered(paths: list[Path], tmp_path: Path) -> None:
    workbook.write(paths, tmp_path / "a.xlsx")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    sheet = book["level"]
    heads = [cell.value for cell in sheet[1]]
    assert sheet.cell(2, heads.index("output_mv") + 1).value == "mV"
    assert sheet.freeze_panes == "B3"
    assert sheet.auto_filter.ref.startswith("A2:")
    assert book["metrics_wide"].auto_filter.ref.startswith("A1:")
    about = {row[0].value: row for row in book["about"].iter_rows(min_row=1, max_col=3)}
    assert about["level"][1].value.startswith("Output of tones")
    assert about["level"][2].value == tables.read(paths[NAMES.index("level")]).num_rows


def test_same_tables_same_bytes(paths: list[Path], tmp_path: Path) -> None:
    for name in ("a.xlsx", "b.xlsx"):
        workbook.write(paths, tmp_path / name)
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()


def test_a_table_too_long_for_a_sheet_is_split_and_says_so(
    paths: list[Path], tmp_path: Path
) -> None:
    path = paths[NAMES.index("response")]
    workbook.write([path], tmp_path / "a.xlsx", sheet_rows=1002)
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    parts = [name for name in book.sheetnames if name.startswith("response ")]
    assert parts == ["response 1", "response 2", "response 3"]
    assert_same([row for name in parts for row in cells(book[name])], tables.read(path))
    about = [row[1] for row in book["about"].iter_rows(values_only=True) if row[0] == parts[1]]
    assert about == [
        "Frequency response of the driven channel. (part 2 of 3: too long for one sheet)"
    ]


def nasty_table(tmp_path: Path) -> Path:
    path = tmp_path / "nasty.parquet"
    count = len(NASTY)
    pq.write_table(pa.table({"text": list(NASTY), "number": [-1.5] * count}), path)
    return path


def test_text_is_never_a_formula_in_the_workbook(tmp_path: Path) -> None:
    workbook.write([nasty_table(tmp_path)], tmp_path / "a.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "a.xlsx")["nasty"]
    for (cell, _), text in zip(sheet.iter_rows(min_row=3), NASTY, strict=True):
        assert cell.data_type != "f"
        assert (cell.value or "") == text.replace("\r", "_x000D_") or cell.value == text


def test_text_is_never_a_formula_in_csv(tmp_path: Path) -> None:
    csv_files.write([nasty_table(tmp_path)], tmp_path / "csv")
    rows = csv.read_csv(
        tmp_path / "csv" / "nasty.csv", parse_options=csv.ParseOptions(newlines_in_values=True)
    ).to_pylist()
    for row, text in zip(rows, NASTY, strict=True):
        assert row["text"] == (f"'{text}" if text[:1] in tuple("=+-@\t\r") and text else text)
        assert row["number"] == -1.5


def test_csv_reads_back_equal_to_the_tables(paths: list[Path], tmp_path: Path) -> None:
    csv_files.write(paths, tmp_path)
    for path in paths:
        rows = tables.read(path)
        back = csv.read_csv(
            tmp_path / f"{path.stem}.csv",
            convert_options=csv.ConvertOptions(
                column_types=rows.schema, strings_can_be_null=True, quoted_strings_can_be_null=False
            ),
        )
        assert back.to_pylist() == rows.to_pylist()
    assert (tmp_path / "metrics_wide.csv").exists()


def test_wide_metrics_leave_bounds_out_and_take_the_first_track(paths: list[Path]) -> None:
    metrics = tables.read(paths[NAMES.index("metrics")])
    later = metrics.set_column(
        metrics.schema.get_field_index("track_position"),
        "track_position",
        pa.array([9] * metrics.num_rows, pa.int32()),
    ).set_column(
        metrics.schema.get_field_index("value"), "value", pa.array([1e9] * metrics.num_rows)
    )
    wide = wide_metrics(pa.concat_tables([later, metrics]))
    assert wide.num_rows == 6
    assert max(wide.column("output_mv.left").to_pylist()) < 10
    assert set(wide.column("speed_error_pct.left").to_pylist()) == {None}
    assert set(wide.column("bounds").to_pylist()) == {"speed_error_pct.left"}


def test_opens_in_a_spreadsheet_program(paths: list[Path], tmp_path: Path) -> None:
    """LibreOffice shows the same rows; a formula would show its result."""
    soffice = shutil.which("soffice")
    if soffice is None:
        pytest.skip("LibreOffice (soffice) is not installed: the workbook was not opened in it")
    workbook.write([nasty_table(tmp_path), *paths], tmp_path / "a.xlsx")
    filter_all_sheets = (
        "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1"
    )
    subprocess.run(
        [soffice, f"-env:UserInstallation=file://{tmp_path}/profile", "--headless", "--convert-to",
         filter_all_sheets, "--outdir", str(tmp_path), str(tmp_path / "a.xlsx")],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip
    shown = (tmp_path / "a-nasty.csv").read_text(encoding="utf-8")
    assert "=1+1" in shown
    assert "@SUM(A1)" in shown
    for path in paths:
        lines = (tmp_path / f"a-{path.stem}.csv").read_text(encoding="utf-8").splitlines()
        assert len(lines) == tables.read(path).num_rows + 2
