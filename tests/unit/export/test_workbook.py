"""The workbook and the CSV files hold what the tables hold, and run nothing."""

import datetime
import re
import shutil
import subprocess
from csv import reader as csv_reader
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from pyarrow import csv

import make_archive
from grooveledger.export import csv_files, stylus_sheets, workbook
from grooveledger.export.all_tables import TABLES
from grooveledger.export.sheet_rows import row_stretches
from grooveledger.export.spreadsheet_rows import wide_metrics
from grooveledger.report.grids import rows_of
from grooveledger.storage import tables
from grooveledger.vocabulary import metric_words

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


@pytest.fixture(scope="module")
def written(paths: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("written") / "a.xlsx"
    workbook.write(paths, path)
    return path


@pytest.fixture(scope="module")
def book(written: Path) -> openpyxl.Workbook:
    """The workbook of the tables, read back; tests read it only."""
    return openpyxl.load_workbook(written)


def cells(sheet: Any) -> list[dict[str, Any]]:
    """Rows of a sheet by the columns' names, without the units that some heads add."""
    heads, *rows = sheet.iter_rows(values_only=True)
    names = [head.partition(" (")[0] for head in heads]
    return [dict(zip(names, row, strict=True)) for row in rows]


def table_of(path: Path) -> pa.Table:
    return workbook._in_reading_order(tables.read(path), TABLES[path.stem].key)


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


def test_reads_back_equal_to_the_tables_types_included(
    paths: list[Path], book: openpyxl.Workbook
) -> None:
    others = ["metrics", "level", "response", "distortion", "tracking_ability"]
    assert book.sheetnames == [
        "about", "drift", "metrics_wide", "captures", "ratings", *others
    ]  # fmt: skip
    for path in paths:
        assert_same(cells(book[path.stem]), table_of(path))
    assert_same(
        cells(book["metrics_wide"]), wide_metrics(tables.read(paths[NAMES.index("metrics")]))
    )


def test_one_head_with_units_frozen_and_a_named_table_that_filters(
    paths: list[Path], book: openpyxl.Workbook
) -> None:
    for sheet in book.worksheets[1:]:
        heads = [cell.value for cell in sheet[1]]
        assert len(set(heads)) == len(heads)
        assert None not in heads
        assert sheet.freeze_panes == "B2"
        (table,) = sheet.tables.values()
        assert table.displayName == f"table_{sheet.title}"
        assert table.ref == sheet.dimensions == table.autoFilter.ref
        assert [column.name for column in table.tableColumns] == heads
    assert "output_mv" in [cell.value for cell in book["level"][1]]
    assert "clipped_left (samples)" in [cell.value for cell in book["captures"][1]]
    assert "slope_low (unit per 100 h)" in [cell.value for cell in book["drift"][1]]
    about = {row[0].value: row for row in book["about"].iter_rows(min_row=1, max_col=3)}
    assert about["level"][1].value.startswith("Output of tones")
    assert about["level"][2].value == tables.read(paths[NAMES.index("level")]).num_rows


def test_every_declared_unit_is_in_the_head_or_in_the_row() -> None:
    for table in TABLES.values():
        for column in table.columns:
            head = workbook.headed(column)
            if column.unit == workbook.ROW_UNIT:
                assert "unit" in table.names, (table.name, column.name)
            elif head == column.name and column.unit:
                spelled = {column.unit.lower(), workbook.SPELLED.get(column.unit)}
                assert spelled & set(column.name.split("_"))
            else:
                assert column.unit.replace("unit/", "unit per ") in head


def test_numbers_are_shown_by_their_unit(book: openpyxl.Workbook) -> None:
    def shown(sheet: str, head: str, line: int) -> str:
        at = [cell.value for cell in book[sheet][1]].index(head)
        return str(book[sheet].cell(line, at + 1).number_format)

    assert shown("response", "response_db", 2) == workbook.NUMBER_FORMATS["dB"]
    assert shown("level", "output_mv", 3) == workbook.NUMBER_FORMATS["mV"]
    assert shown("metrics_wide", "thd_10khz_pct.left", 4) == workbook.NUMBER_FORMATS["%"]
    # A row of drift shows its figures in its own unit.
    drift = cells(book["drift"])
    for line, row in enumerate(drift, start=2):
        wanted = workbook.NUMBER_FORMATS[row["unit"]]
        if row["baseline_value"] is not None:
            assert shown("drift", "baseline_value", line) == wanted
    assert len({row["unit"] for row in drift}) > 2


def test_figures_are_ordered_by_kind_and_frequency(paths: list[Path], tmp_path: Path) -> None:
    wide = wide_metrics(tables.read(paths[NAMES.index("metrics")]))
    figures = [name.split(".") for name in wide.column_names if "." in name]
    places = [metric_words.order(metric) for metric, _ in figures]
    assert places == sorted(places)
    assert [channel for metric, channel in figures if metric == "output_mv"] == ["left", "right"]
    ages = list(zip(wide["stylus"].to_pylist(), wide["stylus_hours"].to_pylist(), strict=True))
    assert ages == sorted(ages)
    drift = table_of(paths[NAMES.index("drift")]).to_pylist()
    for stylus in {row["stylus"] for row in drift}:
        places = [metric_words.order(row["metric"]) for row in drift if row["stylus"] == stylus]
        assert places == sorted(places)


def test_long_tables_are_left_out_unless_asked_for(tmp_path: Path) -> None:
    make_archive.write_archive(tmp_path, 3)
    found = sorted((tmp_path / "tables").glob("*.parquet"))
    workbook.write(found, tmp_path / "a.xlsx")
    workbook.write(found, tmp_path / "b.xlsx", left_out=())
    without, complete = (
        openpyxl.load_workbook(tmp_path / name, read_only=True) for name in ("a.xlsx", "b.xlsx")
    )
    assert set(complete.sheetnames) - set(without.sheetnames) == {"spectrum"}
    notes = [row[0] for row in without["about"].iter_rows(values_only=True)]
    assert any(note and note.startswith("Left out for its length: spectrum") for note in notes)


def test_charts_draw_the_tables(tmp_path: Path) -> None:
    """Every point of a chart is a cell of its sheet, and equals the archive's table."""
    make_archive.write_archive(tmp_path, 12)
    found = {path.stem: path for path in sorted((tmp_path / "tables").glob("*.parquet"))}
    workbook.write(found.values(), tmp_path / "a.xlsx")
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    assert book.sheetnames[1:8] == [
        "drift", "stylus_states", "advice", "metrics_wide",
        "stylus fresh", "stylus settled", "stylus worn",
    ]  # fmt: skip
    sheet = book["stylus worn"]
    heads = {cell.value: cell.column for cell in sheet[stylus_sheets.DATA_LINE + 1] if cell.value}

    def values(head: str) -> list[float]:
        column = [row[0] for row in sheet.iter_rows(
            min_row=stylus_sheets.DATA_LINE + 2, min_col=heads[head], max_col=heads[head],
            values_only=True,
        )]  # fmt: skip
        return [value for value in column if value is not None]

    own = [row for row in rows_of(found["captures"], stylus="worn") if row["status"] != "rejected"]
    ends = {"first": own[0]["capture"], "newest": own[-1]["capture"]}
    for end, capture in ends.items():
        rows = [
            row
            for row in rows_of(found["response"], capture=capture, channel="left")
            if not row["limited"]
        ]
        assert values(f"{end}_left_hz") == pytest.approx([row["frequency_hz"] for row in rows])
        assert values(f"{end}_left_db") == pytest.approx([row["response_db"] for row in rows])
    metric = next(head for head in heads if head.endswith(".left")).partition(".")[0]
    rows = rows_of(found["metrics"], stylus="worn", metric=metric, channel="left")
    rows.sort(key=lambda row: row["stylus_hours"])
    assert values(f"{metric}.left") == pytest.approx([row["value"] for row in rows])
    charts = list(sheet._charts)
    assert len(charts) == 2
    for chart in charts:
        for series in chart.series:
            for reference in (series.xVal.numRef.f, series.yVal.numRef.f):
                assert reference.startswith("'stylus worn'!")
                column = re.findall(r"\$([A-Z]+)\$(\d+)", reference)
                assert column[0][0] == column[1][0]
                (first,), *_, (last,) = sheet[
                    f"{column[0][0]}{column[0][1]}:{column[1][0]}{column[1][1]}"
                ]
                assert isinstance(first.value, (int, float))
                assert isinstance(last.value, (int, float))


def test_memory_does_not_grow_with_the_rows(tmp_path: Path) -> None:
    """A stretch of rows is as large as it is, however long the table."""
    rows = pa.table({"number": np.arange(50_000) / 7, "text": ["a < b"] * 50_000})
    stretches = list(row_stretches(rows, 2, {"": 0}, {}))
    assert len(stretches) == 3
    text = b"".join(stretches)
    assert text.count(b"<row ") == 50_000
    assert text.startswith(b'<row r="2"><c r="A2" s="0"><v>0')
    assert b"a &lt; b" in text


def test_same_tables_same_bytes(paths: list[Path], written: Path, tmp_path: Path) -> None:
    workbook.write(paths, tmp_path / "b.xlsx")
    assert written.read_bytes() == (tmp_path / "b.xlsx").read_bytes()


def test_a_table_too_long_for_a_sheet_is_split_and_says_so(
    paths: list[Path], tmp_path: Path
) -> None:
    path = paths[NAMES.index("response")]
    workbook.write([path], tmp_path / "a.xlsx", sheet_rows=1001)
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    parts = [name for name in book.sheetnames if name.startswith("response ")]
    assert parts == ["response 1", "response 2", "response 3"]
    assert_same([row for name in parts for row in cells(book[name])], table_of(path))
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
    for (cell, _), text in zip(sheet.iter_rows(min_row=2), NASTY, strict=True):
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


def opened_in_libreoffice(book: Path, as_what: str) -> None:
    """Open a workbook in LibreOffice and save it beside itself in another format."""
    soffice = shutil.which("soffice")
    if soffice is None:
        pytest.skip("LibreOffice (soffice) is not installed: the workbook was not opened in it")
    subprocess.run(
        [soffice, f"-env:UserInstallation=file://{book.parent}/profile", "--headless",
         "--convert-to", as_what, "--outdir", str(book.parent), str(book)],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip


def test_tables_are_ready_for_a_pivot_in_a_spreadsheet_program(
    paths: list[Path], tmp_path: Path
) -> None:
    """LibreOffice takes each for a named range with filters, of one head over columns of a type."""
    paths = paths[: NAMES.index("drift") + 1]
    workbook.write(paths, tmp_path / "a.xlsx")
    opened_in_libreoffice(tmp_path / "a.xlsx", "fods")
    document = ElementTree.parse(tmp_path / "a.fods").getroot()
    table, office = (
        f"{{urn:oasis:names:tc:opendocument:xmlns:{part}:1.0}}" for part in ("table", "office")
    )
    ranges = {
        item.get(f"{table}name"): item
        for item in document.iter(f"{table}database-range")
        if item.get(f"{table}display-filter-buttons") == "true"
    }
    sheets = {sheet.get(f"{table}name"): sheet for sheet in document.iter(f"{table}table")}
    for path in paths:
        rows = table_of(path)
        area = ranges[f"table_{path.stem}"].get(f"{table}target-range-address") or ""
        last = openpyxl.utils.get_column_letter(rows.num_columns)
        assert area == f"{path.stem}.A1:{path.stem}.{last}{rows.num_rows + 1}"
        lines = list(sheets[path.stem].iter(f"{table}table-row"))[1 : rows.num_rows + 1]
        kinds: dict[int, set[str]] = {}
        for line in lines:
            at = 0
            for cell in line.iter(f"{table}table-cell"):
                if kind := cell.get(f"{office}value-type"):
                    kinds.setdefault(at, set()).add(kind)
                at += int(cell.get(f"{table}number-columns-repeated") or 1)
        for place, field in enumerate(rows.schema):
            found = kinds.get(place, set())
            assert len(found) <= 1, (path.stem, field.name)
            assert not pa.types.is_floating(field.type) or found <= {"float"}, field.name


def test_a_pivot_table_gives_the_tables_means(paths: list[Path], tmp_path: Path) -> None:
    """LibreOffice makes one from the named table: a line a metric, a column a channel."""
    soffice = shutil.which("soffice")
    if soffice is None:
        pytest.skip("LibreOffice (soffice) is not installed: no pivot table was made")
    metrics = paths[NAMES.index("metrics")]
    workbook.write([metrics], tmp_path / "a.xlsx")
    own = [soffice, f"-env:UserInstallation=file://{tmp_path}/profile", "--headless"]
    # The first start makes the profile, with an empty module whose place the macro then takes.
    subprocess.run([*own, "--terminate_after_init"], check=True, capture_output=True, timeout=60)
    module = tmp_path / "profile" / "user" / "basic" / "Standard" / "Module1.xba"
    shutil.copyfile(Path(__file__).with_name("pivot.xba"), module)
    macro = f"macro:///Standard.Module1.Pivot(file://{tmp_path}/a.xlsx,file://{tmp_path})"
    subprocess.run([*own, macro], check=True, capture_output=True, timeout=120)
    # Each sheet has its name added to the file's.
    lines = list(csv_reader((tmp_path / "a-pivot.csv").read_text(encoding="utf-8").splitlines()))
    head = next(place for place, line in enumerate(lines) if line[0] == "metric")
    found = {
        (line[0], channel): float(value)
        for line in lines[head + 1 :]
        for channel, value in zip(lines[head][1:], line[1:], strict=True)
        if value and "Total" not in line[0] + channel
    }
    rows = tables.read(metrics).to_pandas().dropna(subset=["value"])
    wanted = rows.groupby(["metric", "channel"])["value"].mean().to_dict()
    assert len(wanted) > 10
    assert found == pytest.approx(wanted)


def test_opens_in_a_spreadsheet_program(paths: list[Path], tmp_path: Path) -> None:
    """LibreOffice shows the same rows; a formula would show its result."""
    workbook.write([nasty_table(tmp_path), *paths], tmp_path / "a.xlsx")
    opened_in_libreoffice(
        tmp_path / "a.xlsx",
        "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1",
    )
    shown = (tmp_path / "a-nasty.csv").read_text(encoding="utf-8")
    assert "=1+1" in shown
    assert "@SUM(A1)" in shown
    for path in paths:
        lines = (tmp_path / f"a-{path.stem}.csv").read_text(encoding="utf-8").splitlines()
        assert len(lines) == tables.read(path).num_rows + 1
