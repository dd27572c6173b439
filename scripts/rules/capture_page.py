"""Rule capture_page: the page of one capture and its pictures."""

from pathlib import Path

import block_pandas  # noqa: F401
from grooveledger.report import capture_page
from grooveledger.storage.provenance import stamp
from job import logged

with logged(snakemake.log[0]):
    capture_page.write(
        snakemake.params.job,
        Path(snakemake.input.metrics).parent,
        Path(snakemake.output.page),
    )
    stamp(snakemake.output.pictures, snakemake.params.job)
