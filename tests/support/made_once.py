"""What a run of the tests makes once, however many processes it runs in."""

import fcntl
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest


def made_once(session: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """Give a folder that the first process to ask for it has filled; the others wait for it."""
    base = session.getbasetemp()
    # With several processes, the folder of each lies in that of the run (pytest-xdist names it so).
    root = base.parent if base.name.startswith("popen-gw") else base
    folder, done = root / name, root / f"{name}.done"
    with (root / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not done.exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            make(folder)
            done.touch()
    return folder
