"""Rule index_pages: the first page, and the comparison of styli."""

from pathlib import Path

import bug_log  # noqa: F401
import seldom_collect  # noqa: F401
from grooveledger.report import comparison_page, index, unfinished
from grooveledger.report.grids import rows_of
from grooveledger.storage.provenance import stamp

job = snakemake.params.job
tables, pages = Path(snakemake.input.drift).parent, Path(snakemake.output.index).parent
captures = Path(snakemake.config["results"]) / "captures"
failed = unfinished.failures(snakemake.input)
if failed:
    rows = rows_of(Path(snakemake.input.captures))
    for name, title in (("index", "The archive"), ("comparison", "Comparison of styli")):
        unfinished.write(pages / f"{name}.html", title, failed, rows)
    Path(snakemake.output.pictures).mkdir(parents=True, exist_ok=True)
else:
    index.write(tables, pages / "index.html", job["styli"])
    comparison_page.write(
        job["styli"],
        job["chains"],
        job["settings"]["ratings"],
        tables,
        captures,
        pages / "comparison.html",
    )
    stamp(snakemake.output.pictures, job)
