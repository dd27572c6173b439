"""Rule index_pages: the first page, and the comparison of styli."""

from pathlib import Path

from grooveledger.report import comparison_page, index
from grooveledger.storage.provenance import stamp
from job import logged

with logged(snakemake.log[0]):
    job = snakemake.params.job
    tables, pages = Path(snakemake.input.drift).parent, Path(snakemake.output.index).parent
    captures = Path(snakemake.config["results"]) / "captures"
    index.write(tables, pages / "index.html", job["styli"])
    comparison_page.write(
        job["styli"], job["settings"]["ratings"], tables, captures, pages / "comparison.html"
    )
    stamp(snakemake.output.pictures, snakemake.params.job)
