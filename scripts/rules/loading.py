"""Rule loading: what load and arm do to every cartridge on every chain."""

import pandas as pd

import bug_log  # noqa: F401
from failing import failing_alone
from grooveledger.schemas.interpret import ARM_MATCH, COILS, LOADING, LOADING_CHECKS
from grooveledger.storage import data_frames, tables
from grooveledger.storage.provenance import provenance

with failing_alone(snakemake, LOADING, LOADING_CHECKS, COILS, ARM_MATCH):
    from grooveledger.interpret.arm_match import arm_match_table
    from grooveledger.interpret.loading.table import loading_tables
    from grooveledger.plan import Cartridge, Chain

    job = snakemake.params.job
    cartridges = {name: Cartridge.from_mapping(m) for name, m in job["cartridges"].items()}
    chains = {name: Chain.from_mapping(m) for name, m in job["chains"].items()}
    captures = data_frames.read(snakemake.input.captures)
    found = loading_tables(
        cartridges,
        chains,
        captures,
        data_frames.read(snakemake.input.response),
        pd.DataFrame(list(job["styli"].values())),
        job["settings"]["loading"],
    )
    fits = data_frames.read(snakemake.input.resonance_fit)
    matches = arm_match_table(cartridges, chains, captures, fits)
    for table, frame, path in (
        (LOADING, found.loading, snakemake.output.loading),
        (LOADING_CHECKS, found.checks, snakemake.output.loading_checks),
        (COILS, found.coils, snakemake.output.coils),
        (ARM_MATCH, matches, snakemake.output.arm_match),
    ):
        tables.write(table, data_frames.rows(table, frame), path, provenance(job))
