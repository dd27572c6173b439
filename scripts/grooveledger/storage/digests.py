"""Digests of plain values and of files, and the check that a capture is still what it was."""

import hashlib
import json
from pathlib import Path
from typing import Any

#: Bytes of a digest that are kept, in hexadecimal digits: chance collisions are out of reach.
DIGEST_DIGITS = 24
#: Stand in for the digest of a capture that is not there, and of one that can't be read: either is
#: a rejected capture.
ABSENT, UNREADABLE = "absent", "unreadable"


def digest(value: Any) -> str:
    """Digest plain builtins: equal values give equal digests, whatever the order of keys."""
    text = json.dumps(value, sort_keys=True, ensure_ascii=True, allow_nan=True)
    return hashlib.sha256(text.encode()).hexdigest()[:DIGEST_DIGITS]


def check_content(path: Path, sha256: str) -> None:
    """Check that a capture in which something is amiss is what it was when the run began.

    Parameters
    ----------
    sha256 : str
        Its digest as the run knows it.

    Raises
    ------
    OSError
        It is not there any more, can't be read now, or has changed. What a job measured must then
        neither replace what was measured before nor be taken for the capture's by later runs.
    """
    if sha256 in (ABSENT, UNREADABLE):
        return
    if not path.is_file():
        raise FileNotFoundError(
            f"{path.name} is not there any more: connect the disk or put it back and run again, or "
            "take its row out of the sheet. What was measured of it before is kept."
        )
    if file_sha256(path) != sha256:
        raise OSError(f"{path.name} has changed while the run was at work: run again")


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's content, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
