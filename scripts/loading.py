"""Rule loading: what the load does to every cartridge on every chain."""

import pandas as pd

from grooveledger import frames, tables
from grooveledger.loading import loading_tables
from grooveledger.plan import Cartridge, Chain
from grooveledger.provenance import provenance
from grooveledger.schemas.interpret import COILS, LOADING, LOADING_CHECKS
from job import logged

with logged(snakemake.log[0]):
    job = snakemake.params.job
    found = loading_tables(
        {name: Cartridge.from_mapping(mapping) for name, mapping in job["cartridges"].items()},
        {name: Chain.from_mapping(mapping) for name, mapping in job["chains"].items()},
        frames.read(snakemake.input.captures),
        frames.read(snakemake.input.response),
        pd.DataFrame(list(job["styli"].values())),
        job["settings"]["loading"],
    )
    for table, frame, path in (
        (LOADING, found.loading, snakemake.output.loading),
        (LOADING_CHECKS, found.checks, snakemake.output.loading_checks),
        (COILS, found.coils, snakemake.output.coils),
    ):
        tables.write(table, frames.rows(table, frame), path, provenance(job))
