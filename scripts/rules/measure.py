"""Rule measure: every figure that a capture's side allows, from what was observed."""

from pathlib import Path

import block_pandas  # noqa: F401
from grooveledger.measure.job import measure_capture
from job import logged

with logged(snakemake.log[0]):
    measure_capture(
        Path(snakemake.input.tracks).parent,
        list(snakemake.input.observations),
        Path(snakemake.output.metrics).parent,
        snakemake.params.job,
    )
