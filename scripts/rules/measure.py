"""Rule measure: every figure that a capture's side allows, from what was observed."""

from pathlib import Path

import pyarrow as pa

import block_pandas  # noqa: F401
import bug_log  # noqa: F401
from failing import failing_alone
from grooveledger.measure.quantities import MEASURES
from grooveledger.schemas.capture_metrics import CAPTURE_METRICS, REMARKS
from grooveledger.storage import tables

job = snakemake.params.job


def remarked(told: str) -> pa.Table:
    """Return the one remark that flags the capture."""
    return tables.build(REMARKS, {"capture": job["capture"], "track": [None], "remark": [told]})


DECLARED = (*(measure.table for measure in MEASURES.values()), CAPTURE_METRICS, REMARKS)

with failing_alone(snakemake, *DECLARED, work="measured", instead={"remarks": remarked}):
    from grooveledger.measure.job import measure_capture

    measure_capture(
        Path(snakemake.input.tracks).parent,
        list(snakemake.input.observations),
        Path(snakemake.output.metrics).parent,
        job,
    )
