"""Rule methods_pages: how each figure is measured, in pages beside the report."""

from pathlib import Path

import block_pandas  # noqa: F401
import bug_log  # noqa: F401
from grooveledger.report import methods
from grooveledger.storage.provenance import stamp

docs = Path(snakemake.scriptdir).parent / "workflow" / "docs"
methods.write(docs, Path(snakemake.output.pages))
stamp(snakemake.output.pages, snakemake.params.job)
