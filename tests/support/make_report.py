"""Every page of the invented archive, for tests of pages."""

from pathlib import Path
from typing import Any

import pytest

import make_archive
import make_tables
from grooveledger.export import csv_files, workbook
from grooveledger.report import (
    capture_page,
    comparison_page,
    index,
    loading_page,
    methods,
    stylus_page,
)
from grooveledger.run.jobs import neighbours
from made_once import made_once

#: As few as show every kind: the seventh is rejected.
CAPTURES = 7
#: These have few curves, to save time.
LIGHT = ("c0002", "c0004", "c0005")
DOCUMENTATION = Path(__file__).parents[2] / "workflow" / "docs" / "methods"


BESIDE = neighbours(make_tables.sheet_rows(CAPTURES))


def facts(row: dict[str, Any]) -> dict[str, Any]:
    """What the page of a capture is told besides its own tables."""
    return {
        "sheet": row,
        "neighbours": BESIDE[row["capture"]],
        "rpm": make_tables.RPM,
        "chain": make_tables.CHAIN,
        "cartridge": make_tables.CARTRIDGES[row["cartridge"]],
    }


def shared(session: pytest.TempPathFactory) -> Path:
    """Give the report, written once in a run of the tests; they read it only."""
    return made_once(session, "report-of-an-invented-archive", write_report) / "report"


def write_report(results: Path) -> Path:
    """Write tables, pages and exports; returns the report's folder."""
    rows = make_archive.write_archive(results, CAPTURES, light=LIGHT)
    tables, folder, report = results / "tables", results / "captures", results / "report"
    styli = make_archive.styli()
    index.write(tables, report / "index.html", styli)
    for row in rows:
        page = report / "captures" / f"{row['capture']}.html"
        capture_page.write(facts(row), folder / row["capture"], page)
    for name, stylus in styli.items():
        stylus_page.write(stylus, tables, folder, report / "styli" / f"{name}.html")
    for name in make_tables.CARTRIDGES:
        loading_page.write(
            name,
            {"bench": make_tables.CHAIN},
            styli,
            make_archive.LOADING,
            tables,
            report / "loading" / f"{name}.html",
        )
    comparison_page.write(
        styli,
        {"bench": make_tables.CHAIN},
        make_archive.COMPARED,
        tables,
        folder,
        report / "comparison.html",
    )
    methods.write(DOCUMENTATION.parent, report / "methods")
    paths = sorted(tables.glob("*.parquet"))
    workbook.write(paths, results / "export" / "archive.xlsx")
    csv_files.write(paths, results / "export" / "csv")
    return report
