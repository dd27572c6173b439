"""What moved between two sets of results: counted by hand, then on a page and in a workbook."""

import shutil

import numpy as np
import pandas as pd
import pytest

import make_archive
import make_tables
from grooveledger.configuration.described import Difference
from grooveledger.export import workbook
from grooveledger.faults import ConfigurationFaults
from grooveledger.interpret import changes
from grooveledger.report import changes_page
from grooveledger.run import snapshot
from grooveledger.schemas import changes as schemas
from grooveledger.schemas.collect import METRICS
from grooveledger.schemas.interpret import DRIFT
from grooveledger.storage import data_frames, tables

TABLES = (schemas.CHANGED_METRICS, schemas.CHANGED_FIGURES, schemas.CHANGED_VERDICTS)


@pytest.fixture(scope="module")
def sets(tmp_path_factory):
    """Two results folders; in the second all 1 kHz separations of c0000 and c0003 moved by hand."""
    root = tmp_path_factory.mktemp("changes")
    make_archive.write_archive(root / "results", captures=6)
    kept = snapshot.keep(root / "results", "before")
    path = root / "results/tables/metrics.parquet"
    frame = data_frames.read(path)
    mine = frame["metric"].eq("separation_1khz_db") & frame["channel"].eq("left")
    frame.loc[mine & frame["capture"].eq("c0000"), "value"] += 5.0
    frame.loc[mine & frame["capture"].eq("c0003"), "value"] -= 1e-3
    frame.loc[mine & frame["capture"].eq("c0001"), "value"] = np.nan
    frame["value"] *= 1.0 + 1e-12
    tables.write(METRICS, data_frames.rows(METRICS, frame), path, {})
    path = root / "results/tables/drift.parquet"
    frame = data_frames.read(path)
    frame.loc[0, "verdict"] = "confounded"
    tables.write(DRIFT, data_frames.rows(DRIFT, frame), path, {})
    return kept, root / "results"


def test_a_snapshot_shares_what_does_not_change(sets):
    kept, results = sets
    same, changed = "tables/captures.parquet", "tables/metrics.parquet"
    assert (kept / same).stat().st_ino == (results / same).stat().st_ino
    assert (kept / changed).stat().st_ino != (results / changed).stat().st_ino
    assert not (kept / "report").exists()
    assert snapshot.find(results, "before") == kept


@pytest.mark.parametrize(
    ("name", "told"),
    [("before", "already kept"), ("../x", "not a valid name"), ("", "not a valid name")],
)
def test_a_snapshots_name_is_checked(sets, name, told):
    with pytest.raises(ConfigurationFaults, match=told):
        snapshot.keep(sets[1], name)


def test_a_snapshot_that_is_not_there_is_told_with_those_that_are(sets):
    with pytest.raises(ConfigurationFaults, match="There are before"):
        snapshot.find(sets[1], "other")


def test_moved_figures_are_found_and_rounding_is_not(sets):
    found = changes.compare(*sets)
    assert list(found.figures["capture"]) == ["c0000", "c0001", "c0003"]
    assert set(found.figures["metric"]) == {"separation_1khz_db"}
    np.testing.assert_allclose(found.figures["change"], [5.0, np.nan, -1e-3], rtol=1e-6)
    assert len(found.captures) == 6


def test_each_metric_is_counted(sets):
    metrics = changes.compare(*sets).metrics
    row = metrics[metrics["metric"].eq("separation_1khz_db") & metrics["channel"].eq("left")].iloc[
        0
    ]
    assert (row["n_moved"], row["n_lost"], row["n_new"]) == (2, 1, 0)
    assert row["largest_capture"] == "c0000"
    assert row["largest_change"] == pytest.approx(5.0)
    assert metrics["n_moved"].sum() == 2


def test_beyond_is_past_the_repeatability_limit():
    # ISO 5725-6:1994, 4.1.4: r = 2.8 s_r; s_r of 0.1, and of the root of 0.3^2 + 0.4^2 with noise.
    rows = {
        "capture": ["c1", "c2", "c3"],
        "metric": "output_mv",
        "channel": "left",
        "track_position": 0,
    }
    budgets = pd.DataFrame(rows).assign(
        repeatability=[0.1, 0.3, np.nan], u_noise=[np.nan, 0.4, 0.1], u_speed=np.nan
    )
    limits = changes.repeatability_limits(budgets)
    np.testing.assert_allclose(limits["repeatability_limit"], [0.28, 1.4, np.nan])
    figures = pd.DataFrame(rows).assign(change=[0.5, -0.6, 9.0])
    assert list(changes._with_limits(figures, limits)["beyond"]) == [True, False, None]


def test_changed_verdicts_are_told(sets):
    verdicts = changes.compare(*sets).verdicts
    assert list(verdicts["kind"]) == ["drift"]
    assert verdicts["after"].iloc[0] == "confounded"
    assert verdicts["before"].iloc[0] != "confounded"


def test_sets_that_are_equal_have_nothing_moved(sets, tmp_path):
    found = changes.compare(sets[0], sets[0])
    assert not len(found.figures)
    assert not len(found.verdicts)
    changes_page.write(found, sets[0], sets[0], ("a", "b"), tmp_path / "a.html")
    assert "Nothing moved" in (tmp_path / "a.html").read_text()


def test_the_headline_says_what_is_beyond_repeatability_and_what_is_unknown(sets):
    found = changes.compare(*sets)
    said = changes_page.headline(found)
    assert said.startswith("Of the 6 captures that both sets have, figures of 3 moved.")
    assert said.endswith("1 verdict changed.")
    figures = found.figures.assign(repeatability_limit=[1.0, None, 1.0], beyond=[True, None, False])
    said = changes_page.headline(found._replace(figures=figures))
    assert "In 1 capture a figure moved by more than two playings differ" in said
    assert "separation at 1 kHz of c0000, by 5.0 times that." in said
    figures = found.figures.assign(repeatability_limit=None, beyond=None)
    said = changes_page.headline(found._replace(figures=figures))
    assert "For 2 figures it is unknown what two playings differ by." in said


def test_the_page_names_what_was_changed_in_the_configuration(sets, tmp_path):
    kept, results = sets
    found, page = changes.compare(kept, results), tmp_path / "report/changes/before.html"
    difference = Difference("chains.bench.preamplifier.gain_db", "36.0", "38.0")
    for given, said in (
        ([difference], "<td>36.0</td><td>38.0</td>"),
        ([], "Nothing: what moved comes from recordings"),
        (None, "Unknown: the earlier results"),
    ):
        changes_page.write(found, kept, results, ("before", "now"), page, given)
        assert said in page.read_text()


def test_curves_apart_are_measured_where_both_are():
    flat = {"frequency_hz": np.array([100.0, 1000.0, 10000.0]), "response_db": np.zeros(3)}
    raised = {"frequency_hz": np.array([500.0, 5000.0, 50000.0]), "response_db": np.full(3, 0.5)}
    assert changes_page.apart(flat, raised, "response_db") == pytest.approx(0.5)
    away = {"frequency_hz": np.array([2e4, 3e4]), "response_db": np.ones(2)}
    assert changes_page.apart(flat, away, "response_db") == 0.0


def test_the_page_overlays_the_curves_that_moved(sets, tmp_path):
    kept, results = sets
    other = tmp_path / "results"
    shutil.copytree(results, other)
    path = other / "captures/c0003/response.parquet"
    rows = data_frames.read(path)
    rows.loc[rows["channel"].eq("right"), "response_db"] += 1.5
    tables.write(
        make_tables.TABLES["response"],
        data_frames.rows(make_tables.TABLES["response"], rows),
        path,
        {},
    )
    page = tmp_path / "report/changes/before.html"
    changes_page.write(changes.compare(kept, other), kept, other, ("before", "now"), page)
    text = page.read_text()
    assert "response-c0003-right" in text
    assert "response-c0003-left" not in text
    assert "c0000" in text
    assert (tmp_path / "report/changes/before/response-c0003-right.svg").is_file()


def test_the_workbook_has_units(sets, tmp_path):
    openpyxl = pytest.importorskip("openpyxl")
    found = changes.compare(*sets)
    paths = []
    for table, frame in zip(TABLES, (found.metrics, found.figures, found.verdicts), strict=True):
        paths.append(tmp_path / f"{table.name}.parquet")
        tables.write(table, data_frames.rows(table, frame), paths[-1], {})
    declared = {table.name: table for table in TABLES}
    workbook.write(paths, tmp_path / "changes.xlsx", declared=declared)
    book = openpyxl.load_workbook(tmp_path / "changes.xlsx")
    assert book.sheetnames == ["about", *declared]
    assert book["changed_metrics"]["J1"].value == "largest_change"
    assert set(book["changed_metrics"].tables) == {"table_changed_metrics"}


def test_a_small_change_is_not_written_as_none():
    row = {"value_before": 0.109, "value_after": 0.10908, "change": 8e-5, "unit": "%"}
    shown = {
        field.head: field.write(row)
        for field in changes_page.WORST_FIELDS
        if field.head in ("Before", "After", "Change")
    }
    assert shown == {"Before": "0.1090", "After": "0.1091", "Change": "+0.0001"}
    row = {**row, "value_before": 4.0, "value_after": 5.25, "change": 1.25}
    assert changes_page.WORST_FIELDS[6].write(row) == "+1.25"


@pytest.mark.parametrize(("part", "moved"), [(0.9e-6, False), (1.1e-6, True)])
@pytest.mark.parametrize("value", [1e-3, 50.0])
def test_a_figure_has_moved_beyond_a_millionth_of_itself(value, part, moved):
    row = {"capture": ["c1"], "metric": "output_mv", "channel": "left", "track_position": 0,
           "track": 1, "stylus": "one", "unit": "mV", "limited": False}  # fmt: skip
    before = pd.DataFrame(row).assign(value=value)
    after = before.assign(value=value * (1.0 + part))
    assert changes._joined(before, after)["moved"].tolist() == [moved]
