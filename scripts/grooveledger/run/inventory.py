"""Captures by content: a file is hashed again only where its path, size or time has changed."""

import csv
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from grooveledger.storage.atomic_write import written_whole
from grooveledger.storage.digests import ABSENT, UNREADABLE, file_sha256

FIELDS = ("file", "size", "mtime_ns", "sha256")


def update(store: Path, captures_dir: Path, files: Iterable[str]) -> dict[str, str]:
    """Return the SHA-256 of every file below `captures_dir`, reading only changed ones.

    A file that is no longer there, as on a disk that was put away, keeps its digest: what was
    measured from it remains valid.

    Parameters
    ----------
    store : Path
        The inventory, a tab-separated file; rewritten where something changed.

    Returns
    -------
    dict
        Digest by file name; `ABSENT` or `UNREADABLE` where there never was one.
    """
    known = _read(store)
    kept: dict[str, tuple[int, int, str]] = {}
    digests: dict[str, str] = {}
    changed = []
    for file in dict.fromkeys(files):
        try:
            stat = (captures_dir / file).stat()
        except OSError:
            if file in known:
                kept[file] = known[file]
            digests[file] = known[file][2] if file in known else ABSENT
            continue
        size, mtime_ns, sha256 = known.get(file, (-1, -1, ""))
        if (size, mtime_ns) == (stat.st_size, stat.st_mtime_ns):
            kept[file] = (size, mtime_ns, sha256)
            digests[file] = sha256
        else:
            changed.append((file, stat))
    # Hashing releases the interpreter's lock: two threads read at the speed of two cores.
    with ThreadPoolExecutor(max_workers=2) as pool:
        changed_digests = list(pool.map(lambda item: _digest(captures_dir / item[0]), changed))
    for (file, stat), sha256 in zip(changed, changed_digests, strict=True):
        digests[file] = sha256
        if sha256 != UNREADABLE:
            kept[file] = (stat.st_size, stat.st_mtime_ns, sha256)
    if kept != known:
        _write(store, kept)
    return digests


def _digest(path: Path) -> str:
    try:
        return file_sha256(path)
    except OSError:
        return UNREADABLE


def _read(store: Path) -> dict[str, tuple[int, int, str]]:
    try:
        with store.open(encoding="utf-8", newline="") as file:
            rows = csv.DictReader(file, delimiter="\t")
            return {
                row["file"]: (int(row["size"]), int(row["mtime_ns"]), row["sha256"]) for row in rows
            }
    except (OSError, KeyError, ValueError, TypeError):
        # No inventory, or a damaged one: reading the captures gives all that it would hold.
        return {}


def _write(store: Path, entries: dict[str, tuple[int, int, str]]) -> None:
    with (
        written_whole(store) as scratch,
        scratch.open("w", encoding="utf-8", newline="") as file,
    ):
        writer = csv.writer(file, delimiter="\t", lineterminator="\n")
        writer.writerow(FIELDS)
        writer.writerows((name, *entry) for name, entry in sorted(entries.items()))
