"""What the workflow sets of Snakemake's scheduler."""

import subprocess
import sys

from workspace import ENVIRONMENT

#: Snakemake, in a process that says at its end which timers it set.
COUNTED = """
import atexit, sys, threading
from snakemake.cli import main

waits = []

class Counted(threading.Timer):
    def __init__(self, interval, *arguments, **named):
        waits.append(interval)
        super().__init__(interval, *arguments, **named)

threading.Timer = Counted
atexit.register(lambda: print("timers:", waits))
main(sys.argv[1:])
"""


def test_no_timer_goes_on_asking_for_jobs(measured, tmp_path):
    workspace = measured.copied(tmp_path / "archive")
    (workspace.results / "tables" / "ratings.parquet").unlink()
    arguments = workspace.command("--cores", "2", "tables")[3:]
    ended = subprocess.run(
        [sys.executable, "-c", COUNTED, *arguments],
        capture_output=True,
        text=True,
        env=ENVIRONMENT,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    assert (workspace.results / "tables" / "ratings.parquet").exists()
    assert "timers: []" in ended.stdout, ended.stdout
