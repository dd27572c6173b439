"""The page that stands where a bug kept the figures of a page from being made."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from grooveledger.report import page
from grooveledger.storage.provenance import failure


def failures(paths: Iterable[str | Path]) -> list[tuple[str, str, str]]:
    """Name, error and log of each table that could not be made; one table a log."""
    seen: dict[str, tuple[str, str, str]] = {}
    for path in map(Path, paths):
        if path.suffix == ".parquet" and (said := failure(path)):
            seen.setdefault(said["log"], (path.stem, said["error"], said["log"]))
    return list(seen.values())


def write(
    path: Path,
    title: str,
    failed: Sequence[tuple[str, str, str]],
    captures: Sequence[Mapping[str, Any]],
) -> None:
    """Write a page that says what is missing, and leads to what is there.

    Parameters
    ----------
    path : Path
        The page, in ``report`` or a folder of it.
    title : str
        What the page is about.
    failed : sequence of tuple
        See `failures`.
    captures : sequence of mapping
        Rows of the table of captures that concern it.
    """
    depth = 0 if path.parent.name == "report" else 1
    page.write("unfinished.html", path, depth=depth, title=title, failed=failed, captures=captures)
