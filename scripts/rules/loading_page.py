"""Rule loading_page: what the load does to one cartridge, as a page."""

from pathlib import Path

import bug_log  # noqa: F401
import seldom_collect  # noqa: F401
from grooveledger.report import loading_page, unfinished
from grooveledger.report.grids import rows_of
from grooveledger.storage.provenance import stamp

job, name = snakemake.params.job, snakemake.wildcards.cartridge
page, failed = Path(snakemake.output.page), unfinished.failures(snakemake.input)
if failed:
    captures = rows_of(Path(snakemake.input.captures), cartridge=name)
    unfinished.write(page, f"Loading of {name}", failed, captures)
    Path(snakemake.output.pictures).mkdir(parents=True, exist_ok=True)
else:
    loading_page.write(
        name,
        job["chains"],
        job["styli"],
        job["settings"]["loading"],
        Path(snakemake.input.loading).parent,
        page,
    )
    stamp(snakemake.output.pictures, job)
