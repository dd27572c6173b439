"""Rule stylus_page: the page of one stylus with its pictures, and the figures that sum it up."""

from pathlib import Path

import block_pandas  # noqa: F401
import bug_log  # noqa: F401
import seldom_collect  # noqa: F401
from grooveledger.report import stylus_page, summary_pictures, unfinished
from grooveledger.report.grids import rows_of
from grooveledger.storage.provenance import stamp

stylus = snakemake.params.job["styli"][snakemake.wildcards.stylus]
tables = Path(snakemake.input.drift).parent
captures = Path(snakemake.config["results"]) / "captures"
page, name = Path(snakemake.output.page), snakemake.wildcards.stylus
failed = unfinished.failures(snakemake.input)
if failed:
    unfinished.write(page, name, failed, rows_of(Path(snakemake.input.captures), stylus=name))
    for folder in (snakemake.output.pictures, snakemake.output.figures):
        Path(folder).mkdir(parents=True, exist_ok=True)
else:
    stylus_page.write(stylus, tables, captures, page)
    stamp(snakemake.output.pictures, snakemake.params.job)
    summary_pictures.write(stylus, tables, captures, Path(snakemake.output.figures))
    stamp(snakemake.output.figures, snakemake.params.job)
