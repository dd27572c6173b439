"""Rule loading: what the load does to every cartridge on every chain."""

import pandas as pd

from failing import failing_alone
from grooveledger.interpret.loading.table import loading_tables
from grooveledger.plan import Cartridge, Chain
from grooveledger.schemas.interpret import COILS, LOADING, LOADING_CHECKS
from grooveledger.storage import data_frames, tables
from grooveledger.storage.provenance import provenance

with failing_alone(snakemake, LOADING, LOADING_CHECKS, COILS):
    job = snakemake.params.job
    found = loading_tables(
        {name: Cartridge.from_mapping(mapping) for name, mapping in job["cartridges"].items()},
        {name: Chain.from_mapping(mapping) for name, mapping in job["chains"].items()},
        data_frames.read(snakemake.input.captures),
        data_frames.read(snakemake.input.response),
        pd.DataFrame(list(job["styli"].values())),
        job["settings"]["loading"],
    )
    for table, frame, path in (
        (LOADING, found.loading, snakemake.output.loading),
        (LOADING_CHECKS, found.checks, snakemake.output.loading_checks),
        (COILS, found.coils, snakemake.output.coils),
    ):
        tables.write(table, data_frames.rows(table, frame), path, provenance(job))
