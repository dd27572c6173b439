"""Rule ratings: captures held against data sheets, and styli compared at the same age."""

import pandas as pd

import bug_log  # noqa: F401
from failing import failing_alone
from grooveledger.schemas.interpret import COMPARISON, RATINGS
from grooveledger.storage import data_frames, tables
from grooveledger.storage.provenance import provenance

with failing_alone(snakemake, RATINGS, COMPARISON):
    from grooveledger.interpret.comparison import comparison_table
    from grooveledger.interpret.ratings import ratings_table
    from grooveledger.plan import Cartridge, Chain

    job = snakemake.params.job
    captures, metrics = (
        data_frames.read(snakemake.input.captures),
        data_frames.read(snakemake.input.metrics),
    )
    ratings = ratings_table(
        captures,
        data_frames.read(snakemake.input.response),
        metrics,
        data_frames.read(snakemake.input.budgets),
        {name: Cartridge.from_mapping(mapping) for name, mapping in job["cartridges"].items()},
        {name: Chain.from_mapping(mapping) for name, mapping in job["chains"].items()},
        job["settings"]["ratings"],
    )
    comparison = comparison_table(
        captures, metrics, pd.DataFrame(list(job["styli"].values())), job["settings"]["ratings"]
    )
    for table, frame, path in (
        (RATINGS, ratings, snakemake.output.ratings),
        (COMPARISON, comparison, snakemake.output.comparison),
    ):
        tables.write(table, data_frames.rows(table, frame), path, provenance(job))
