"""Kills, full disks and the like: nothing half-written is taken for whole, nothing is lost."""

import os
import random
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import yaml

from grooveledger.run import lock
from grooveledger.storage import provenance, tables
from workspace import ENVIRONMENT, Workspace, edited, made


def fresh(measured: Workspace, folder: Path, results: Path | None = None) -> Workspace:
    """The same archive with nothing measured yet."""
    folder.mkdir(exist_ok=True)
    config = yaml.safe_load(measured.config.read_text())
    workspace = Workspace(measured.project, folder)
    chosen = results or workspace.results
    workspace.config.write_text(yaml.safe_dump({**config, "results": str(chosen)}))
    return workspace


def of_one(workspace: Workspace) -> str:
    """What a run of one capture ends with."""
    results = yaml.safe_load(workspace.config.read_text())["results"]
    return f"{results}/captures/c01/metrics.parquet"


def killed(workspace: Workspace, after_s: float, target: str) -> bool:
    """Run, and kill the program and all below it after a while; whether it was still at work."""
    process = subprocess.Popen(
        workspace.program(target),
        env=ENVIRONMENT,
        start_new_session=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        process.wait(after_s)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        return True
    return False


def check_whole(workspace: Workspace) -> None:
    """Every table that is there can be read and tells its origin."""
    for path in workspace.results.rglob("*.parquet"):
        tables.read(path)
        assert provenance.origin(path)["job"], path


@pytest.mark.parametrize(
    ("wanted", "target"), [(2, None), pytest.param(8, "tables", marks=pytest.mark.slow)]
)
def test_a_run_goes_on_after_kills(measured, tmp_path, wanted, target):
    """Each kill is followed by the same command alone; the tables come out the same."""
    workspace = fresh(measured, tmp_path / "archive")
    target = target or of_one(workspace)
    chance = random.Random(2)
    kills = 0
    while kills < wanted:
        if not killed(workspace, chance.uniform(2.0, 6.0), target):
            # Whole before it was killed: begin anew.
            shutil.rmtree(workspace.results)
            shutil.rmtree(workspace.folder / ".snakemake")
            continue
        kills += 1
        check_whole(workspace)
    # The same command goes on, and nothing else had to be done.
    ended = subprocess.run(
        workspace.program(target), env=ENVIRONMENT, capture_output=True, text=True, check=False
    )
    assert ended.returncode == 0, ended.stdout + ended.stderr
    whole, found = made(measured), made(workspace)
    assert found == {name: whole[name] for name in found}
    assert len(found) > 15


def test_tables_of_earlier_schemas_are_made_again(measured, tmp_path):
    workspace = measured.copied(tmp_path / "archive")
    before = made(workspace)
    folder = workspace.results / "captures/c01"
    for name in ("observations/orders", "level"):
        path = folder / f"{name}.parquet"
        rows, (first, *_, last) = tables.read(path), tables.read(path).column_names
        told = tables.provenance(path)
        earlier = {**told, "revision": "0", "code": "earlier", "job": "earlier"}
        # A column less, one of another name and one that held whole numbers.
        rows = rows.drop_columns([last]).rename_columns({first: "recording"})
        rows = rows.set_column(1, rows.column_names[1], pa.nulls(len(rows), pa.int32()))
        metadata = {tables.METADATA_PREFIX + key: value for key, value in earlier.items()}
        pq.write_table(rows.replace_schema_metadata(metadata), path)
    # Snakemake knows nothing of it, and need not know of anything.
    shutil.rmtree(workspace.folder / ".snakemake")
    assert workspace.account() == {"observe_orders": 1, "measure": 1}
    workspace.run("tables")
    assert made(workspace) == before
    declared = workspace.project / "scripts/grooveledger/schemas/observe.py"
    with edited(declared, '"noise bandwidth of', '"bandwidth for noise of'):
        assert workspace.account()["observe_orders"] == 3


def test_two_runs_at_once_are_refused(measured, tmp_path):
    workspace = fresh(measured, tmp_path / "archive")
    first = subprocess.Popen(
        workspace.command("--cores", "1", "--until", "capture"),
        env=ENVIRONMENT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 60.0
    while lock.holder(workspace.results) is None and time.monotonic() < deadline:
        time.sleep(0.05)
    # The first waits, however quick it is, until the second was refused.
    os.kill(first.pid, signal.SIGSTOP)
    refused = [
        subprocess.run(command, env=ENVIRONMENT, capture_output=True, text=True, check=False)
        for command in (workspace.program(), workspace.command("--cores", "1"))
    ]
    os.kill(first.pid, signal.SIGCONT)
    for second in refused:
        assert second.returncode == 2
        assert f"Another run of this archive is at work (process {first.pid}" in second.stderr
        assert "Traceback" not in second.stderr
    assert first.wait() == 0
    assert lock.holder(workspace.results) is None


def test_recordings_that_were_put_away_keep_what_was_measured(measured, tmp_path):
    workspace = measured.copied(tmp_path / "archive")
    (workspace.folder / "captures").rename(workspace.folder / "away")
    assert workspace.planned() == {}
    # What needs no audio can still be done ...
    with edited(workspace.folder / "chains.yaml", "gain_db: 36.0", "gain_db: 36.5"):
        assert workspace.planned("tables")["capture"] == 3
    # ... and what does need it stops before any job.
    with edited(workspace.config, "captures_dir:", "segment: {dc_limit: 0.5}\ncaptures_dir:"):
        stopped = workspace.snakemake("--cores", "2")
        assert stopped.returncode != 0
        assert "3 of its recordings would have to be read" in stopped.stderr
        assert "Connect the disk" in stopped.stderr


def test_a_recording_that_goes_away_costs_nothing_that_was_measured(measured, tmp_path):
    """Seen by a run's jobs only: its file was known, and is not there when it is read."""
    workspace = measured.copied(tmp_path / "archive")
    before = made(workspace)
    recording = workspace.folder / "captures/c01.flac"
    with edited(workspace.config, "captures_dir:", "segment: {dc_limit: 0.5}\ncaptures_dir:"):
        recording.rename(tmp_path / "away")
        failed = workspace.snakemake("--cores", "2", "tables")
        assert failed.returncode != 0
        assert "c01.flac is not there any more: connect the disk" in failed.stdout + failed.stderr
        kept = {name for name in before if name.startswith(("captures/c01/", "tables/"))}
        assert {name: made(workspace)[name] for name in kept} == {
            name: before[name] for name in kept
        }
        assert workspace.account()["segment"] == 1
        (tmp_path / "away").rename(recording)
        workspace.run("tables")
        assert not {"segment", "measure", "collect"} & set(workspace.account())
    statuses = tables.read(workspace.results / "tables/captures.parquet")["status"].to_pylist()
    assert statuses == ["ok"] * 3


@pytest.fixture
def small_disk(tmp_path):
    """A folder on a disk of 200 kB: less than one capture fills. Skips where none is mounted."""
    disk = tmp_path / "disk"
    disk.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(disk)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("a small disk needs leave to mount one")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


def test_a_full_disk_is_told_and_gone_on_from(measured, tmp_path, small_disk):
    workspace = fresh(measured, tmp_path / "archive", small_disk / "results")
    failed = workspace.snakemake("--cores", "2", of_one(workspace))
    assert failed.returncode != 0
    assert "No space left" in failed.stdout + failed.stderr
    for path in small_disk.rglob("*.parquet"):
        tables.read(path)
    subprocess.run(["mount", "-o", "remount,size=64m", str(small_disk)], check=True)
    workspace.run(of_one(workspace))
    expected = measured.results / "captures/c01/metrics.parquet"
    assert (
        small_disk / "results/captures/c01/metrics.parquet"
    ).read_bytes() == expected.read_bytes()


def test_results_that_cannot_be_written_are_told(measured, tmp_path, small_disk):
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    workspace = fresh(measured, tmp_path / "archive", small_disk / "results")
    failed = workspace.snakemake("--cores", "2", "tables")
    assert failed.returncode != 0
    assert "can't be written" in failed.stderr
    assert "Traceback" not in failed.stderr
