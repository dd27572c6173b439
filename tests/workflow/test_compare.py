"""From a snapshot over a changed chain to the page of what moved, by the programs themselves."""

import subprocess
import sys

from grooveledger.run import snapshot
from grooveledger.storage import data_frames
from workspace import ENVIRONMENT, edited


def test_a_changed_gain_moves_the_output_and_nothing_else(measured, tmp_path):
    workspace = measured.copied(tmp_path / "archive")
    kept = snapshot.keep(workspace.results, "before")
    linked = workspace.results / "captures/c01/observations/orders.parquet"
    with edited(workspace.folder / "chains.yaml", "gain_db: 36.0", "gain_db: 38.0"):
        workspace.run("tables")
    again = kept / "captures/c01/observations/orders.parquet"
    assert again.stat().st_ino == linked.stat().st_ino
    command = [sys.executable, workspace.project / "scripts/compare.py", "before"]
    command += ["--configfile", workspace.config]
    ended = subprocess.run(
        command, capture_output=True, text=True, env=ENVIRONMENT, cwd=tmp_path, check=False
    )
    assert ended.returncode == 0, ended.stderr
    # The third is of a side without a level tone.
    lines = ended.stdout.splitlines()
    assert lines[0] == "changed chains.bench.preamplifier.gain_db: 36.0 -> 38.0"
    assert lines[1].startswith("Of the 3 captures that both sets have, figures of 2 moved.")
    folder = workspace.results / "report/changes"
    moved = data_frames.read(folder / "before/changed_metrics.parquet")
    counts = moved[moved["n_moved"] > 0]
    # 2 dB more gain taken for granted: outputs read 10^(-2/20) times as high, ratios as before.
    assert set(counts["metric"]) == {"output_mv"}
    figures = data_frames.read(folder / "before/changed_figures.parquet")
    ratio = figures["value_after"] / figures["value_before"]
    assert ratio.sub(10 ** (-2 / 20)).abs().max() < 1e-9
    text = (folder / "before.html").read_text()
    assert "What moved since before" in text
    assert "chains.bench.preamplifier.gain_db" in text
    assert (folder / "before/changes.xlsx").stat().st_size > 5000
