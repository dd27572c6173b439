"""Styli side by side: ratings first, then those of one age and load; a lone one is only named."""

import re
from pathlib import Path

import pytest

import make_archive
import make_report
import make_tables
from grooveledger.report import comparison_page
from grooveledger.report.comparison_page import RATING_FIELDS, newest_ratings, styli_by_load
from grooveledger.report.grids import rows_of

CABLE = make_tables.CHAIN["cable"]
CHAINS = {
    "bench": make_tables.CHAIN,
    "long-cable": {**make_tables.CHAIN, "cable": {**CABLE, "capacitance_pf": 305.0}},
}


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_report.shared(tmp_path_factory)


def row(stylus: str, chains: str) -> dict[str, object]:
    return {"stylus": stylus, "chains": chains, "value": 1.0}


def test_styli_are_gathered_by_the_load_of_their_captures() -> None:
    rows = [row("one", "bench"), row("two", "bench"), row("three", "long-cable")]
    rows += [row("four", "bench, long-cable"), row("five", "bench, long-cable")]
    found = styli_by_load(rows, CHAINS, ["one", "two", "three", "four", "five", "six"])
    assert [load.styli for load in found] == [["one", "two"], ["three"], ["four"], ["five"]]
    assert found[2].words == found[3].words
    assert found[2].words.startswith("several loads: 47 k")


def test_ratings_come_first_and_no_column_is_empty(report: Path) -> None:
    text = (report / "comparison.html").read_text(encoding="utf-8")
    assert re.findall(r'<h2 id="(\w+)"', text) == ["ratings", "alike", "now"]
    for table in re.findall(r"<tbody>(.*?)</tbody>", text, re.DOTALL):
        lines = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", line) for line in table.split("</tr>")]
        columns = list(zip(*(line for line in lines if line), strict=True))
        assert all(any(cell != "\N{EN DASH}" for cell in column) for column in columns)


def test_a_rated_figure_of_all_styli_stands_together_the_newest_of_each() -> None:
    histories = {
        "one": ([{"capture": "c2"}, {"capture": "c1"}], True),
        "two": ([{"capture": "c3"}], True),
    }
    rows = [
        {"stylus": stylus, "capture": capture, "quantity": quantity, "channel": "left"}
        for stylus, capture in (("one", "c1"), ("one", "c2"), ("two", "c3"), ("two", "gone"))
        for quantity in ("separation_db", "output_mv")
    ]
    found = [
        (row["quantity"], row["stylus"], row["capture"]) for row in newest_ratings(rows, histories)
    ]
    assert found == [
        ("output_mv", "one", "c2"), ("output_mv", "two", "c3"),
        ("separation_db", "one", "c2"), ("separation_db", "two", "c3"),
    ]  # fmt: skip


def test_loads_are_written_in_kilohms() -> None:
    row = {"stylus": None, "verdict": "meets", "note": None, "cartridge": "x", "channel": "both"}
    row |= {"quantity": "load_ohm", "unit": "ohm", "rated": 47000.0, "measured": 46800.0}
    written = {field.head: field.write({**row, "uncertainty": None}) for field in RATING_FIELDS}
    assert (written["Rated"], written["Unit"]) == ("47.0", "k\N{GREEK CAPITAL LETTER OMEGA}")
    assert written["Measured, with its standard uncertainty"] == "46.8"


def test_a_lone_stylus_is_named_and_not_drawn(report: Path, tmp_path: Path) -> None:
    tables, styli = report.parent / "tables", make_archive.styli()
    (name,) = {
        row["stylus"] for row in rows_of(tables / "comparison.parquet") if row["stylus"] == "worn"
    }
    page = tmp_path / "comparison.html"
    comparison_page.write(
        {name: styli[name]}, CHAINS, make_archive.COMPARED, tables, report.parent / "captures", page
    )
    text = page.read_text(encoding="utf-8")
    assert f"so without a comparison: {name} (47" in text
    assert "Mean figures at the same age" not in text
    assert "alike-" not in text
