"""One run of an archive at a time: a lock that the system lets go of with its owner.

Snakemake's own lock is a file, which outlives a run that was killed and then stops all that follow.
This one is the kernel's: it ends with the process that holds it, whatever ends that.
"""

import fcntl
import json
import os
import time
from pathlib import Path
from typing import IO

#: In the results' folder; its content says who holds it.
LOCK = ".run.lock"
#: The file of the lock that this process holds: closed, it would be let go of.
_held: dict[Path, IO[str]] = {}


def hold(results: Path) -> str | None:
    """Hold the lock of an archive's results until this process ends.

    Returns
    -------
    str or None
        Who holds it, where somebody else does; None where it is held now. Where the file system
        knows no locks the run goes on without.
    """
    results.mkdir(parents=True, exist_ok=True)
    file = (results / LOCK).open("a+", encoding="utf-8")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        owner = _owner(file)
        file.close()
        return owner
    except OSError:  # no locks on this file system
        pass
    file.truncate(0)
    json.dump({"process": os.getpid(), "since": time.strftime("%Y-%m-%d %H:%M:%S")}, file)
    file.flush()
    _held[results] = file
    return None


def holder(results: Path) -> str | None:
    """Return who holds the lock of an archive's results; None where nobody does."""
    try:
        file = (results / LOCK).open("r", encoding="utf-8")
    except OSError:
        return None
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return _owner(file)
        except OSError:
            pass
    return None


def refusal(owner: str) -> str:
    """Say that and why a run is refused."""
    return (
        f"Another run of this archive is at work ({owner}): nothing was run. Wait until it has "
        "ended, or end it; what it has finished is kept."
    )


def _owner(file: IO[str]) -> str:
    file.seek(0)
    try:
        said = json.load(file)
        return f"process {said['process']}, since {said['since']}"
    except (ValueError, KeyError, TypeError):
        return "just begun"
