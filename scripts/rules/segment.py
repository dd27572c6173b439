"""Rule segment: where a capture's tracks lie, and whether it can be measured."""

import pyarrow as pa

import block_pandas  # noqa: F401
import bug_log  # noqa: F401
from failing import failing_alone
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.schemas.states import Status
from grooveledger.storage import tables
from grooveledger.storage.provenance import provenance
from job import capture_path

job = snakemake.params.job


def rejected(reason: str) -> pa.Table:
    """Return the health of a capture that was not looked at."""
    row = {"capture": job["capture"], "sha256": job["sha256"], "channel_order": "unknown"}
    stated = {**row, "status": Status.REJECTED, "reason": reason}
    return tables.build(HEALTH, {**dict.fromkeys(HEALTH.names), **stated})


with failing_alone(snakemake, TRACKS, HEALTH, work="located", instead={"health": rejected}):
    from grooveledger.plan import Side
    from grooveledger.segment.job import segment
    from grooveledger.storage.digests import check_content

    path = capture_path(snakemake.config, job)
    tracks, health = segment(
        path,
        Side.from_mapping(job["side"]),
        job["settings"]["segment"],
        job["capture"],
        swap_channels=job["swap_channels"],
        invert=job["invert"],
        other_sides={name: Side.from_mapping(side) for name, side in job["other_sides"].items()},
        sha256=job["sha256"],
    )
    if health["status"].to_pylist() != [Status.OK]:
        check_content(path, job["sha256"])
    tables.write(TRACKS, tracks, snakemake.output.tracks, provenance(job))
    tables.write(HEALTH, health, snakemake.output.health, provenance(job))
