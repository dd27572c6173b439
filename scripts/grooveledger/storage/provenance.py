"""Where a result came from: for a table in its metadata, for a folder in a file of its own."""

import json
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from grooveledger.storage import tables
from grooveledger.storage.digests import digest

#: Holds the origin of a folder of pictures or of CSV files, and of the page or workbook beside it.
STAMP = ".origin.json"
#: A Parquet file ends with four bytes of its metadata's length and this (Apache Parquet format).
PARQUET_MARK = b"PAR1"
FOOTER_END = 8
#: Key of the metadata under which an observation says why it is empty.
FAULT = "fault"
#: Key under which the table of captures names those whose own jobs failed.
FAILED = "failed"


def provenance(job: Mapping[str, Any]) -> dict[str, str]:
    """Return the digests of a job's mapping as a whole, of its code, and of each of its parts."""
    parts = {key: digest(value) for key, value in sorted(job.items())}
    return {"code": job["code"], "job": digest(job), "parts": json.dumps(parts)}


def stamp(folder: str | Path, job: Mapping[str, Any]) -> None:
    """Record in a folder what it was made from; the last thing that a job does."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / STAMP).write_text(json.dumps(provenance(job)), encoding="utf-8")


def origin(path: Path) -> dict[str, str]:
    """Return the origin of a table or folder; empty where it has none, or can't be read."""
    try:
        if path.suffix == ".parquet":
            return tables.provenance(path)
        said: dict[str, str] = json.loads((path / STAMP).read_text(encoding="utf-8"))
        return said
    except (OSError, ValueError):  # pyarrow's own errors are ValueErrors
        return {}


def made_from(path: str | Path, expected: str) -> bool:
    """Return whether a table or folder names the digest of a job's mapping as its origin.

    Of a table only the bytes of its metadata are searched, which lie at a Parquet file's end,
    before their length and a mark: parsing them takes ten times as long, and an archive has tens
    of thousands.
    """
    if not str(path).endswith(".parquet"):
        return origin(Path(path)).get("job") == expected
    try:
        with open(path, "rb", buffering=0) as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - FOOTER_END))
            end = file.read()
            if len(end) < FOOTER_END or end[4:] != PARQUET_MARK:
                return False
            file.seek(max(0, size - FOOTER_END - int.from_bytes(end[:4], "little")))
            return expected.encode() in file.read()
    except OSError:
        return False


def inherited(job: Mapping[str, Any], sources: Iterable[Path]) -> dict[str, str]:
    """Return the provenance of a job's results, or why one of the tables it reads is missing.

    What was made of a table that is empty because of a bug is to be made again with it.
    """
    for source in sources:
        said = failure(source)
        if said:
            return said
    return provenance(job)


def failed_captures(path: Path) -> dict[str, dict[str, str]]:
    """Return `error` and `log` of each capture whose own jobs failed, of the table of captures."""
    said: dict[str, dict[str, str]] = json.loads(origin(path).get(FAILED, "{}"))
    return said


def failure(path: Path) -> dict[str, str]:
    """Return why a table could not be made: `error` and `log`; empty where it could.

    A table that could not be made is empty and names no job as its origin, so that every run tries
    again.
    """
    said = origin(path)
    return {key: said[key] for key in ("error", "log")} if "error" in said else {}
