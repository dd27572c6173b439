"""What the programs that a person starts have in common."""

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).parents[3] / "scripts"
PROGRAM = """
from pathlib import Path
from command_line import exit_status
from grooveledger.configuration import read_config
raise SystemExit(exit_status(lambda: {}))
"""


def ended(program, **options):
    return subprocess.run(
        [sys.executable, "-c", PROGRAM.format(program)],
        cwd=SCRIPTS,
        text=True,
        stderr=subprocess.PIPE,
        check=False,
        **options,
    )


def test_what_a_person_gave_wrong_is_told_without_a_traceback():
    done = ended("read_config(Path('nowhere.yaml'))")
    assert (done.returncode, done.stderr) == (1, "nowhere.yaml: is not there. Check the path.\n")


def test_a_path_that_cannot_be_used_gets_a_sentence():
    done = ended("Path('/proc/nowhere').mkdir()")
    assert done.returncode == 1
    assert done.stderr.startswith("/proc/nowhere: No such file or directory. Check the path")


@pytest.mark.parametrize("lines", [1, 100_000])
def test_a_reader_that_has_seen_enough_is_no_fault(lines):
    with subprocess.Popen(["true"], stdin=subprocess.PIPE) as reader:
        reader.wait()
        done = ended(f"print('line\\n' * {lines})", stdout=reader.stdin)
    assert (done.returncode, done.stderr) == (0, "")
