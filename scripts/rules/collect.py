"""Rule collect: the tables of all captures joined into the archive's."""

from pathlib import Path

import block_pandas  # noqa: F401
import bug_log  # noqa: F401
from grooveledger.interpret.collect import collect_archive

collect_archive(
    Path(snakemake.config["results"]) / "captures",
    Path(snakemake.output.captures).parent,
    snakemake.params.job,
    snakemake.threads,
)
