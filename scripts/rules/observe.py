"""Rule observe: what was heard in a capture; each observation that is stale, and no other."""

from pathlib import Path

import block_pandas  # noqa: F401
import bug_log  # noqa: F401
from failing import failing_alone
from grooveledger.schemas.observe import (
    NOISE_DENSITY,
    NOISE_LEVEL,
    ORDERS,
    SPEED_TRACE,
    TONE_SPECTRUM,
)
from grooveledger.storage.digests import digest
from job import note_seconds

DECLARED = (ORDERS, TONE_SPECTRUM, SPEED_TRACE, NOISE_DENSITY, NOISE_LEVEL)
done = frozenset(map(digest, snakemake.params.job.values()))

with failing_alone(snakemake, *DECLARED, work="observed", done=done):
    from grooveledger.observe.job import observe_capture

    took = observe_capture(
        Path(snakemake.config["captures_dir"]),
        Path(snakemake.input.tracks),
        Path(snakemake.output[0]).parent,
        snakemake.params.job,
    )
    note_seconds(snakemake.config, snakemake.wildcards.capture, took)
