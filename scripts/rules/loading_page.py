"""Rule loading_page: what the load does to one cartridge, as a page."""

from pathlib import Path

from grooveledger.report import loading_page
from grooveledger.storage.provenance import stamp
from job import logged

with logged(snakemake.log[0]):
    job = snakemake.params.job
    loading_page.write(
        snakemake.wildcards.cartridge,
        job["chains"],
        job["styli"],
        job["settings"]["loading"],
        Path(snakemake.input.loading).parent,
        Path(snakemake.output.page),
    )
    stamp(snakemake.output.pictures, snakemake.params.job)
