"""Adding a measure by what DEVELOPERS.md says alone: one module, one line, one test."""

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from markdown_it import MarkdownIt

PROJECT = Path(__file__).parents[3]
NAME = "lateral_balance"
TEST = f"tests/unit/measure/quantities/test_{NAME}.py"
#: Prints the digest of the code of two jobs, and the tables that the workbook knows.
FACTS = """
import json
from grooveledger.run.code_digests import code_digest
from grooveledger.run.jobs import RULES
from grooveledger.measure.quantities import MEASURES
from grooveledger.export.all_tables import TABLES
modules = [f"grooveledger.measure.quantities.{name}" for name in MEASURES]
print(json.dumps({
    "observe": [code_digest(RULES / f"observe_{name}.py")
                for name in ("orders", "speed_trace", "noise_density")],
    "measure": code_digest(RULES / "measure.py", modules),
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
from grooveledger.storage import tables
from grooveledger.configuration import load
from grooveledger.run.jobs import Jobs
from grooveledger.measure.job import measure_capture
from grooveledger.schemas.observe import ORDERS
from grooveledger.schemas.segment import TRACKS
archive = load(yaml.safe_load(Path("config/config.yaml").read_text()), Path())
job = Jobs(archive, defaultdict(str)).mapping("measure", "2022-11-06-a")
folder = Path("measured")
tables.write(TRACKS, tables.empty(TRACKS), folder / "tracks.parquet", {})
orders = tables.build(ORDERS, {"capture": "2022-11-06-a", **orders_of(3, 1000.0, {1: (0.1, 0.2)})})
tables.write(ORDERS, orders, folder / "orders.parquet", {})
measure_capture(folder, [folder / "orders.parquet"], folder, job)
print(json.dumps(tables.read(folder / "lateral_balance.parquet").to_pylist()))
"""


def instructions():
    """The code blocks of DEVELOPERS.md that are named behind their language, by that name."""
    tokens = MarkdownIt().parse((PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    fences = [token for token in tokens if token.type == "fence"]
    return {
        token.info.split()[1]: token.content for token in fences if len(token.info.split()) == 2
    }


@pytest.fixture(scope="module")
def copy(tmp_path_factory):
    """A copy of the project with the measure added as told."""
    project = tmp_path_factory.mktemp("project")
    ignored = shutil.ignore_patterns("__pycache__")
    for folder in ("scripts", "workflow/schemas", "tests", "config"):
        shutil.copytree(PROJECT / folder, project / folder, ignore=ignored)
    shutil.copy(PROJECT / "pyproject.toml", project)
    told = instructions()
    measures = project / "scripts" / "grooveledger" / "measure" / "quantities"
    (measures / f"{NAME}.py").write_text(told["measure"], encoding="utf-8")
    registry = measures / "__init__.py"
    source = registry.read_text(encoding="utf-8")
    line = told["registry"].rstrip("\n")
    assert "\n" not in line
    last = '    "tracking_ability",'
    assert source.count(last) == 1
    registry.write_text(source.replace(last, f"{last}\n    {line.strip()}"), encoding="utf-8")
    (project / "tests/unit/measure/quantities" / f"test_{NAME}.py").write_text(
        told["test"], encoding="utf-8"
    )
    return project


def run(project, *arguments):
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=project,
        env={"PYTHONPATH": "scripts:tests/support", "PATH": "", "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_its_own_test_and_the_battery_pass(copy):
    selected = [
        "tests/unit/measure/test_battery.py",
        TEST,
    ]
    found = run(
        copy, "-m", "pytest", "-p", "no:cacheprovider", "-k", NAME, "--no-header", *selected
    )
    passed = re.search(r"(\d+) passed", found)
    # Its own test, and one of each parametrised test of the battery.
    assert passed is not None
    assert int(passed[1]) >= 8, found


def test_the_measures_run_again_and_no_observation_does(copy):
    before, after = (json.loads(run(place, "-c", FACTS)) for place in (PROJECT, copy))
    assert after["observe"] == before["observe"]
    assert after["measure"] != before["measure"]
    assert set(after["tables"]) - set(before["tables"]) == {NAME}


def test_the_new_module_is_clean(copy):
    for check in (["check", "--quiet"], ["format", "--check", "--quiet"]):
        run(copy, "-m", "ruff", *check, f"scripts/grooveledger/measure/quantities/{NAME}.py")
    run(
        copy,
        "-m",
        "ruff",
        "format",
        "--check",
        "--quiet",
        TEST,
    )


def test_the_stage_writes_the_new_table(copy):
    (row,) = json.loads(run(copy, "-c", MEASURED))
    assert (row["track"], row["frequency_hz"]) == (3, 1000.0)
    assert row["balance_db"] == pytest.approx(6.0206, abs=1e-3)
