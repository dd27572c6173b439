"""A bug in one job takes nothing of the others along, and is named where a person looks."""

import shutil
import subprocess
from contextlib import ExitStack

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


#: By capture: where in which module its job fails, and what becomes of it.
BUGS = {
    "c01": ("segment/job", "envelope, facts = read_envelope(", "capture", "rejected"),
    "c02": ("observe/orders", "with reader.open_capture(path)", "capture", "flagged"),
    "c03": ("measure/quantities/separation", "parts = []\n", "context.capture", "flagged"),
}


def with_one_more(workspace):
    """Text of the sheet's last row, and of that row with one of another capture after it."""
    last = (workspace.folder / "captures.tsv").read_text().splitlines()[-1]
    assert last.startswith("c03\tc03.flac\t2024-03-01")
    captures = workspace.folder / "captures"
    shutil.copy(captures / "c03.flac", captures / "c04.flac")
    more = last.replace("c03", "c04").replace("2024-03", "2024-04").replace("\t180\t", "\t240\t")
    return last, f"{last}\n{more}"


def test_a_bug_in_one_capture_takes_nothing_along(measured, tmp_path):
    """The archive's tables are made and say so; corrected, all is as it was.

    A bug in each stage befalls a capture of its own, and a fourth capture none.
    """
    workspace = measured.copied(tmp_path / "archive")
    before = made(workspace)
    with ExitStack() as edits:
        sheet = workspace.folder / "captures.tsv"
        edits.enter_context(edited(sheet, *with_one_more(workspace)))
        for capture, (module, line, name, _) in BUGS.items():
            source = workspace.project / f"scripts/grooveledger/{module}.py"
            text = source.read_text()
            assert text.count(line) == 1
            before_it = text[: text.index(line)].rpartition("\n")[2]
            bug = f"if {name} == '{capture}':\n{before_it}    1 / 0\n{before_it}{line}"
            edits.enter_context(edited(source, line, bug))
        failed = subprocess.run(
            workspace.program(), env=ENVIRONMENT, capture_output=True, text=True, check=False
        )
    said = failed.stdout + failed.stderr
    assert failed.returncode == 1, said
    rows = tables.read(workspace.results / "tables/captures.parquet").to_pylist()
    statuses = {row["capture"]: (row["status"], row["reason"] or "") for row in rows}
    index = (workspace.results / "report/index.html").read_text()
    for capture, (*_, status) in BUGS.items():
        log = f"logs/capture/{capture}.log"
        assert "ZeroDivisionError" in (workspace.results / log).read_text()
        assert statuses[capture][0] == status
        assert log in statuses[capture][1]
        assert log in index
        others = {other: reason for other, (_, reason) in statuses.items() if other != capture}
        assert not [other for other, reason in others.items() if log in reason]
    assert statuses["c04"] == ("ok", "")
    metrics = tables.read(workspace.results / "tables/metrics.parquet")["capture"].to_pylist()
    assert "c04" in metrics
    workspace.run()
    found = made(workspace)
    assert {n: found[n] for n in found if not n.startswith("captures/c04/")} == before
    assert workspace.account() == {}


def test_a_module_that_cannot_be_imported_takes_nothing_along(measured, tmp_path):
    workspace = measured.copied(tmp_path / "archive")
    library = workspace.project / "scripts/grooveledger"
    with (
        edited(
            library / "interpret/drift/limits.py",
            "import numpy as np\n",
            "import numpy as np\n\n1 / 0\n",
        ),
        edited(library / "report/methods.py", "import posixpath\n", "import posixpath\n\n1 / 0\n"),
    ):
        failed = workspace.snakemake("--cores", "2")
    assert failed.returncode != 0
    assert "ZeroDivisionError" in (workspace.results / "logs/drift.log").read_text()
    assert "logs/drift.log" in (workspace.results / "report/index.html").read_text()
    # A page's module has no tables to leave: its log tells.
    assert "ZeroDivisionError" in (workspace.results / "logs/methods_pages.log").read_text()


#: By rule: the module and the function that fail.
OF_ARCHIVE = {
    "drift": ("drift/table", "drift_table"),
    "loading": ("loading/table", "loading_tables"),
    "ratings": ("ratings", "ratings_table"),
}


def test_a_bug_in_one_table_of_the_archive_takes_nothing_along(measured, tmp_path):
    """The rest is made and says what is missing; corrected, all is as it was.

    The run with the next bug is the one that makes good the one before.
    """
    workspace = measured.copied(tmp_path / "archive")
    before = made(workspace)
    for rule in OF_ARCHIVE:
        check_bug_in_table(measured, workspace, rule)
    workspace.run()
    assert made(workspace) == before
    assert "KeyError" not in (workspace.results / "report/index.html").read_text()
    assert workspace.account() == {}


def check_bug_in_table(measured, workspace, rule):
    """Run with a bug in one table's function: it alone is empty, and told."""
    report = workspace.results / "report"
    (workspace.results / "export/archive.xlsx").unlink()
    module, name = OF_ARCHIVE[rule]
    source = workspace.project / "scripts/grooveledger/interpret" / f"{module}.py"
    function = f"def {name}("
    broken = f"def broken(*_):\n    raise KeyError('hours')\n\n\n{function}"
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
    for other in set(OF_ARCHIVE) - {rule}:
        assert f"logs/{other}.log" not in index
        table = workspace.results / f"tables/{other}.parquet"
        assert provenance.origin(table)["job"]
        assert (
            tables.read(table).num_rows
            == tables.read(measured.results / table.relative_to(workspace.results)).num_rows
        )
    assert tables.read(workspace.results / f"tables/{rule}.parquet").num_rows == 0
