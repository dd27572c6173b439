"""Rule collect: the tables of all captures joined into the archive's."""

from pathlib import Path

import block_pandas  # noqa: F401
from grooveledger.interpret.collect import collect_archive
from job import logged

with logged(snakemake.log[0]):
    collect_archive(
        Path(snakemake.config["results"]) / "captures",
        Path(snakemake.output.captures).parent,
        snakemake.params.job,
        snakemake.threads,
    )
