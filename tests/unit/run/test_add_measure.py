"""Adding measures by what DEVELOPERS.md says alone: a module, a line, a test, a page of methods."""

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from markdown_it import MarkdownIt

PROJECT = Path(__file__).parents[3]
#: The measure of the recipe, and the same under a second name.
NAMES = ("lateral_balance", "lateral_imbalance")
LIBRARY = "scripts/grooveledger/measure/quantities"
TESTS = "tests/unit/measure/quantities"
#: Prints the digest of the code of two jobs, and the tables that the workbook knows.
FACTS = """
import json
from grooveledger.export.all_tables import TABLES
from grooveledger.run.code_digests import code_digest
from grooveledger.run.rules import OBSERVATIONS, code_of
print(json.dumps({
    "observe": [code_digest(*code_of(rule)) for rule in OBSERVATIONS],
    "measure": code_digest(*code_of("measure")),
    "tables": list(TABLES),
}))
"""
#: Measures a capture of the demo whose lateral tone (track 3) is 6 dB louder in the right channel.
MEASURED = """
import json
from collections import defaultdict
from pathlib import Path
import yaml
from made_observations import orders_of
from grooveledger.configuration import load
from grooveledger.measure.job import measure_capture
from grooveledger.run.jobs import Jobs
from grooveledger.schemas.observe import ORDERS
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.storage import tables
archive = load(yaml.safe_load(Path("config/config.yaml").read_text()), Path())
job = Jobs(archive, defaultdict(str)).mapping("measure", "2022-11-06-a")
folder = Path("measured")
tables.write(TRACKS, tables.empty(TRACKS), folder / "tracks.parquet", {})
facts = {"capture": "2022-11-06-a", "sample_rate_hz": 48000, "channel_order": "as_named"}
health = tables.build(HEALTH, {**dict.fromkeys(HEALTH.names), **facts})
tables.write(HEALTH, health, folder / "health.parquet", {})
orders = tables.build(ORDERS, {"capture": "2022-11-06-a", **orders_of(3, 1000.0, {1: (0.1, 0.2)})})
tables.write(ORDERS, orders, folder / "orders.parquet", {})
measure_capture(folder, [folder / "orders.parquet"], folder, job)
metrics = tables.read(folder / "metrics.parquet").to_pylist()
print(json.dumps([
    tables.read(folder / "lateral_balance.parquet").to_pylist(),
    [row for row in metrics if row["metric"] == "lateral_balance_db"],
]))
"""


def instructions():
    """The code blocks of DEVELOPERS.md that are named behind their language, by that name."""
    tokens = MarkdownIt().parse((PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    fences = [token for token in tokens if token.type == "fence"]
    return {
        token.info.split()[1]: token.content for token in fences if len(token.info.split()) == 2
    }


def add(project, name):
    """Follow the recipe for one measure."""
    recipe = {key: text.replace(NAMES[0], name) for key, text in instructions().items()}
    (project / LIBRARY / f"{name}.py").write_text(recipe["measure"], encoding="utf-8")
    registry = project / LIBRARY / "__init__.py"
    source = registry.read_text(encoding="utf-8")
    line = recipe["registry"].strip()
    assert "\n" not in line
    first = '    "level",\n'
    assert source.count(first) == 1
    registry.write_text(source.replace(first, f"{first}    {line}\n"), encoding="utf-8")
    (project / TESTS / f"test_{name}.py").write_text(recipe["test"], encoding="utf-8")
    page = project / "workflow/docs/methods" / f"{name}.md"
    page.write_text(recipe["page"], encoding="utf-8")


@pytest.fixture(scope="module")
def copy(tmp_path_factory):
    """A copy of the project with the measures added as the recipe says."""
    project = tmp_path_factory.mktemp("project")
    ignored = shutil.ignore_patterns(
        "__pycache__", ".venv", ".git", "results", "captures", ".*_cache"
    )
    shutil.copytree(PROJECT, project, ignore=ignored, dirs_exist_ok=True)
    for name in NAMES:
        add(project, name)
    run(project, "scripts/studies/write_reference.py")
    return project


def run(project, *arguments):
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=project,
        env={
            "PYTHONPATH": "scripts:tests/support",
            "PATH": os.defpath,
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
        },
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_all_tests_that_know_of_measures_pass(copy):
    places = (
        "measure",
        "configuration",
        "report",
        "export",
        "storage",
        "test_docs.py",
        "test_layout.py",
    )
    # Those of each other quantity know of it alone, and run here besides: files of their own, what
    # the battery asks of each, the simulated captures.
    others = [f"{TESTS}/{path.name}" for path in sorted((PROJECT / TESTS).glob("test_*.py"))]
    others.append("tests/unit/measure/test_observed.py")
    battery = f"not test_battery or registered or {' or '.join(NAMES)}"
    ended = run(
        copy,
        *("-m", "pytest", "-p", "no:cacheprovider", "--no-header", "-o", "addopts="),
        *("--import-mode=importlib", "-m", "not slow", "-k", battery),
        *(f"--ignore={other}" for other in others),
        *(f"tests/unit/{place}" for place in places),
    )
    passed = re.search(r"(\d+) passed", ended)
    assert passed is not None
    assert int(passed[1]) >= 500, ended


def test_the_measures_run_again_and_no_observation_does(copy):
    before, after = (json.loads(run(place, "-c", FACTS)) for place in (PROJECT, copy))
    assert after["observe"] == before["observe"]
    assert after["measure"] != before["measure"]
    assert set(after["tables"]) - set(before["tables"]) == set(NAMES)


def test_the_new_modules_are_clean(copy):
    new = [f"{folder}/{name}.py" for name in NAMES for folder in (LIBRARY, f"{TESTS}/test_")]
    files = [path.replace("test_/", "test_") for path in new]
    for check in (["check", "--quiet"], ["format", "--check", "--quiet"]):
        run(copy, "-m", "ruff", *check, *files)


def test_the_stage_writes_the_new_table_and_the_metric(copy):
    rows, metrics = json.loads(run(copy, "-c", MEASURED))
    assert [(row["track"], row["frequency_hz"]) for row in rows] == [(3, 1000.0)]
    assert rows[0]["balance_db"] == pytest.approx(6.0206, abs=1e-3)
    assert [(row["value"], row["unit"]) for row in metrics] == [(rows[0]["balance_db"], "dB")]
