"""Atomic writes: a file is written whole or not at all, whatever stops the program."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def written_whole(path: str | Path) -> Iterator[Path]:
    """Yield a scratch file beside a path; on success it replaces the path.

    Its name is the file's and the process's own: a job may write several files of a folder at once,
    and one that outlived its killed run the same file as the next run's job. If anything is raised,
    what was there before stays.

    Parameters
    ----------
    path : str or Path
        The file to write; its folder is made where it is not there.

    Yields
    ------
    Path
        The scratch file.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    scratch = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield scratch
        with scratch.open("rb+") as file:
            # Or a power cut may leave the new name with nothing behind it.
            os.fsync(file.fileno())
        os.replace(scratch, path)
    finally:
        scratch.unlink(missing_ok=True)
