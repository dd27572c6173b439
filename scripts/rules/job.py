"""What the scripts of the rules share: the log of a bug, and the way to the capture."""

import traceback
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any


@contextmanager
def logged(log: str) -> Iterator[None]:
    """Keep the traceback of whatever goes wrong in the rule's log, and let it go on."""
    try:
        yield
    except BaseException:
        Path(log).parent.mkdir(parents=True, exist_ok=True)
        Path(log).write_text(traceback.format_exc(), encoding="utf-8")
        raise


def capture_path(config: Mapping[str, Any], job: Mapping[str, Any]) -> Path:
    """File of a job's capture.

    It is no input of the rule: its content stands in the job's mapping as a digest, so that an
    archive that moves to another disk re-runs nothing.
    """
    return Path(config["captures_dir"]) / job["file"]
