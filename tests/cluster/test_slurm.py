"""The workflow on a real Slurm of one node gives the bytes that it gives on this machine."""

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
import yaml

from grooveledger.simulate.archives import small_archive

PROJECT = Path(__file__).parents[2]
HERE = Path(__file__).parent
PROGRAMS = ("slurmctld", "slurmd", "sbatch", "munged")

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def archive(tmp_path_factory) -> Path:
    missing = [name for name in PROGRAMS if shutil.which(name) is None]
    if missing or os.geteuid() != 0:
        pytest.skip(f"a Slurm of its own needs root and {', '.join(missing or PROGRAMS)}")
    pytest.importorskip("snakemake_executor_plugin_cluster_generic")
    folder = tmp_path_factory.mktemp("cluster") / "archive"
    small_archive(folder, captures=4, sides=("a", "b"))
    return folder


def run(folder: Path, profile: str, project: Path = PROJECT, *before: str):
    command = [
        *(*before, sys.executable, "-m", "snakemake", "--snakefile", project / "Snakefile"),
        *("--directory", folder, "--configfile", folder / "config.yaml"),
        *("--workflow-profile", project / "workflow/profiles" / profile),
        *(("--cores", "2") if profile == "default" else ("--seconds-between-status-checks", "2")),
        "tables",
    ]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def on_slurm(folder: Path, project: Path = PROJECT):
    return run(folder, "slurm", project, "sh", str(HERE / "run_slurm.sh"))


def elsewhere(archive: Path, folder: Path) -> Path:
    """The same archive, its results in another folder."""
    config = yaml.safe_load((archive / "config.yaml").read_text())
    folder.mkdir()
    (folder / "config.yaml").write_text(
        yaml.safe_dump({**config, "results": str(folder / "results")})
    )
    return folder


def test_a_cluster_gives_the_same_bytes(archive, tmp_path):
    local, cluster = elsewhere(archive, tmp_path / "local"), elsewhere(archive, tmp_path / "slurm")
    ended = run(local, "default")
    assert ended.returncode == 0, ended.stderr
    ended = on_slurm(cluster)
    output = ended.stdout + ended.stderr
    assert ended.returncode == 0, output
    # Four captures are one package; what follows is one submission each.
    assert output.count("with external jobid") == 6
    made = sorted((local / "results").rglob("*.parquet"))
    assert len(made) > 60
    for path in made:
        other = cluster / "results" / path.relative_to(local / "results")
        assert path.read_bytes() == other.read_bytes(), path.name
    assert "Nothing to be done" in (again := run(cluster, "default")).stderr + again.stdout


def test_a_failing_job_is_told_and_given_up(archive, tmp_path):
    project = tmp_path / "project"
    for part in ("workflow", "scripts"):
        shutil.copytree(PROJECT / part, project / part)
    shutil.copy(PROJECT / "Snakefile", project)
    # No bug, which would be contained: something that may go better with more memory.
    module = project / "scripts/grooveledger/segment/job.py"
    failing = "def segment_capture(*_):\n    raise MemoryError"
    module.write_text(f"{module.read_text()}\n\n{failing}\n")
    began = time.monotonic()
    ended = on_slurm(elsewhere(archive, tmp_path / "broken"), project)
    assert ended.returncode != 0
    assert time.monotonic() - began < 180.0
    logs = (tmp_path / "broken/results/logs/capture").glob("*.log")
    assert any("MemoryError" in log.read_text() for log in logs)
    # Tried three times, with more memory each time, as the profile has it.
    assert ended.stderr.count("with external jobid") == 3
