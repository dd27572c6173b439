"""Rule capture: stages 1 to 3 of a capture, stale parts only."""

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from pathlib import Path

import pyarrow as pa

import block_pandas  # noqa: F401
import bug_log  # noqa: F401
from failing import leaving_tables
from grooveledger.measure.quantities import MEASURES
from grooveledger.observe.job import OBSERVATIONS
from grooveledger.run.capture_job import make_capture
from grooveledger.schemas.capture_metrics import CAPTURE_METRICS, REMARKS
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.schemas.states import Status
from grooveledger.schemas.table import Table
from grooveledger.storage import tables
from grooveledger.storage.digests import digest
from job import note_seconds

jobs = snakemake.params.job
capture: str = snakemake.wildcards.capture
folder = Path(snakemake.output.metrics).parent
log = Path(snakemake.log[0])


def rejected(reason: str) -> pa.Table:
    """Return the health of a capture that was not looked at."""
    row = {"capture": capture, "sha256": jobs["segment"]["sha256"], "channel_order": "unknown"}
    stated = {**row, "status": Status.REJECTED, "reason": reason}
    return tables.build(HEALTH, {**dict.fromkeys(HEALTH.names), **stated})


def remarked(text: str) -> pa.Table:
    """Return the one remark that flags the capture."""
    return tables.build(REMARKS, {"capture": capture, "track": [None], "remark": [text]})


def files(where: Path, *declared: Table) -> Mapping[Path, Table]:
    """Return tables by their files."""
    return {where / f"{table.name}.parquet": table for table in declared}


def failing_alone(part: str) -> AbstractContextManager[None]:
    """Leave tables that say what went wrong, where a bug keeps a part from being made."""
    done = frozenset(map(digest, jobs.values()))
    instead: dict[str, Callable[[str], pa.Table]] = {}
    if part == "segment":
        work, made, instead = "located", files(folder, TRACKS, HEALTH), {"health": rejected}
    elif part == "observe":
        observed = [table for one in OBSERVATIONS.values() for table in one.tables]
        work, made = "observed", files(folder / "observations", *observed)
    else:
        made = files(folder, *(measure.table for measure in MEASURES.values()), REMARKS)
        made = {**made, folder / "metrics.parquet": CAPTURE_METRICS}
        work, instead = "measured", {"remarks": remarked}
    return leaving_tables(log, made, work=work, instead=instead, done=done)


took = make_capture(Path(snakemake.config["captures_dir"]), folder, jobs, failing_alone)
note_seconds(snakemake.config, capture, took)
