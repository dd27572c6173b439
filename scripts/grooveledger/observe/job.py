"""One observation of one capture, from tracks file to observation files."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa

from grooveledger.faults import CaptureFault
from grooveledger.plan import Side
from grooveledger.schemas.table import Table
from grooveledger.storage import tables
from grooveledger.storage.digests import check_content
from grooveledger.storage.provenance import provenance

#: Key of the metadata under which an observation says why it is empty.
FAULT = "fault"


def observe(
    observation: Callable[..., pa.Table | tuple[pa.Table, ...]],
    declared: Sequence[Table],
    path: Path,
    tracks: str | Path,
    outputs: Sequence[str | Path],
    job: Mapping[str, Any],
) -> None:
    """Run an observation and write its tables.

    A capture that can't be read ends as empty tables that say so in their metadata: it stops no
    other, and the measures pass the reason on.

    Raises
    ------
    OSError
        It can't be read because it is not what it was when the run began.
    """
    origin = provenance(job)
    try:
        found = observation(
            path,
            tables.read(tracks),
            Side.from_mapping(job["side"]),
            job["settings"],
            job["capture"],
        )
    except CaptureFault as fault:
        check_content(path, job["sha256"])
        found = tuple(tables.empty(table) for table in declared)
        origin[FAULT] = str(fault)
    rows = found if isinstance(found, tuple) else (found,)
    for table, part, output in zip(declared, rows, outputs, strict=True):
        tables.write(table, part, output, origin)
