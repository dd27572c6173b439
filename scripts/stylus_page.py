"""Rule stylus_page: the page of one stylus and its pictures."""

from pathlib import Path

from grooveledger.provenance import stamp
from grooveledger.report import stylus_page
from job import logged

with logged(snakemake.log[0]):
    stylus_page.write(
        snakemake.params.job["styli"][snakemake.wildcards.stylus],
        Path(snakemake.input.drift).parent,
        Path(snakemake.config["results"]) / "captures",
        Path(snakemake.output.page),
    )
    stamp(snakemake.output.pictures, snakemake.params.job)
