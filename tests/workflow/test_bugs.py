"""A bug in one job takes nothing of the others along, and is named where a person looks."""

import subprocess

import pytest

from grooveledger.storage import provenance, tables
from workspace import ENVIRONMENT, edited, made


def test_a_bug_keeps_what_was_made_and_is_told(measured, tmp_path):
    workspace = measured.copied(tmp_path / "archive")
    before = made(workspace)
    module = workspace.project / "scripts/grooveledger/measure/quantities/separation.py"
    with edited(module, "    parts = []", "    1 / 0\n    parts = []"):
        failed = workspace.snakemake("--cores", "2", "tables")
        assert failed.returncode != 0
        assert "ZeroDivisionError" in failed.stdout + failed.stderr
        assert "ZeroDivisionError" in (workspace.results / "logs/capture/c01.log").read_text()
        # It befell every capture: the archive's tables stay.
        assert "the jobs of every capture failed" in failed.stdout + failed.stderr
        kept = made(workspace)
        archive = [name for name in before if name.startswith("tables/")]
        assert {name: kept[name] for name in archive} == {name: before[name] for name in archive}
        # What failed is still to be done, though Snakemake has forgotten it.
        assert workspace.account()["measure"] == 3
        assert workspace.planned("tables")["capture"] == 3
    workspace.run("tables")
    assert made(workspace) == before


@pytest.mark.parametrize(
    ("rule", "module", "line", "status"),
    [
        ("segment", "segment/job", "envelope, facts = read_envelope(", "rejected"),
        ("observe", "observe/orders", "with reader.open_capture(path)", "flagged"),
        ("measure", "measure/quantities/separation", "parts = []\n", "flagged"),
    ],
)
def test_a_bug_in_one_capture_takes_nothing_along(measured, tmp_path, rule, module, line, status):
    """The archive's tables are made and say so; corrected, all is as it was."""
    workspace = measured.copied(tmp_path / "archive")
    before = made(workspace)
    source = workspace.project / f"scripts/grooveledger/{module}.py"
    name = "context.capture" if rule == "measure" else "capture"
    text = source.read_text()
    assert text.count(line) == 1
    before_it = text[: text.index(line)].rpartition("\n")[2]
    bug = f"if {name} == 'c02':\n{before_it}    1 / 0\n{before_it}{line}"
    with edited(source, line, bug):
        failed = subprocess.run(
            workspace.program(), env=ENVIRONMENT, capture_output=True, text=True, check=False
        )
    said = failed.stdout + failed.stderr
    log = "logs/capture/c02.log"
    assert failed.returncode == 1, said
    assert "ZeroDivisionError" in (workspace.results / log).read_text()
    rows = tables.read(workspace.results / "tables/captures.parquet").to_pylist()
    statuses = {row["capture"]: (row["status"], row["reason"] or "") for row in rows}
    assert statuses["c02"][0] == status
    assert log in statuses["c02"][1]
    assert log not in statuses["c01"][1]
    assert log in (workspace.results / "report/index.html").read_text()
    metrics = tables.read(workspace.results / "tables/metrics.parquet")["capture"].to_pylist()
    assert {"c01", "c03"} <= set(metrics)
    workspace.run()
    assert made(workspace) == before
    assert workspace.account() == {}


def test_a_module_that_cannot_be_imported_takes_nothing_along(measured, tmp_path):
    workspace = measured.copied(tmp_path / "archive")
    source = workspace.project / "scripts/grooveledger/interpret/drift/limits.py"
    with edited(source, "import numpy as np\n", "import numpy as np\n\n1 / 0\n"):
        failed = workspace.snakemake("--cores", "2")
    assert failed.returncode != 0
    assert "ZeroDivisionError" in (workspace.results / "logs/drift.log").read_text()
    assert "logs/drift.log" in (workspace.results / "report/index.html").read_text()
    # A page's module has no tables to leave: its log tells.
    source = workspace.project / "scripts/grooveledger/report/methods.py"
    with edited(source, "import posixpath\n", "import posixpath\n\n1 / 0\n"):
        failed = workspace.snakemake("--cores", "2")
    assert "ZeroDivisionError" in (workspace.results / "logs/methods_pages.log").read_text()


@pytest.mark.parametrize(
    ("rule", "module", "function"),
    [
        ("drift", "drift/table", "def drift_table("),
        ("loading", "loading/table", "def loading_tables("),
        ("ratings", "ratings", "def ratings_table("),
    ],
)
def test_a_bug_in_one_table_of_the_archive_takes_nothing_along(
    measured, tmp_path, rule, module, function
):
    """The rest is made and says what is missing; corrected, all is as it was."""
    workspace = measured.copied(tmp_path / "archive")
    before = made(workspace)
    report = workspace.results / "report"
    (workspace.results / "export/archive.xlsx").unlink()
    source = workspace.project / "scripts/grooveledger/interpret" / f"{module}.py"
    broken = f"def broken(*_):\n    raise KeyError('hours')\n\n\n{function}"
    name = function.removeprefix("def ").rstrip("(")
    with edited(source, function, broken):
        text = source.read_text()
        source.write_text(f"{text}\n\n{name} = broken\n")
        failed = subprocess.run(
            workspace.program(), env=ENVIRONMENT, capture_output=True, text=True, check=False
        )
    said = failed.stdout + failed.stderr
    assert failed.returncode == 1, said
    assert f"KeyError: 'hours' (see logs/{rule}.log)" in said
    assert "KeyError: 'hours'" in (workspace.results / f"logs/{rule}.log").read_text()
    index = (report / "index.html").read_text()
    assert f'href="../logs/{rule}.log"' in index
    assert "KeyError" in index
    assert (workspace.results / "export/archive.xlsx").exists()
    others = {"drift", "loading", "ratings"} - {rule}
    for other in others:
        table = workspace.results / f"tables/{other}.parquet"
        assert provenance.origin(table)["job"]
        assert (
            tables.read(table).num_rows
            == tables.read(measured.results / table.relative_to(workspace.results)).num_rows
        )
    assert tables.read(workspace.results / f"tables/{rule}.parquet").num_rows == 0
    workspace.run()
    assert made(workspace) == before
    assert "KeyError" not in (report / "index.html").read_text()
    assert workspace.account() == {}
