"""Rule observe: what was heard in a capture; each observation that is stale, and no other."""

from pathlib import Path

import block_pandas  # noqa: F401
from grooveledger.observe.job import observe_capture
from job import logged, note_seconds

with logged(snakemake.log[0]):
    took = observe_capture(
        Path(snakemake.config["captures_dir"]),
        Path(snakemake.input.tracks),
        Path(snakemake.output[0]).parent,
        snakemake.params.job,
    )
    note_seconds(snakemake.config, snakemake.wildcards.capture, took)
