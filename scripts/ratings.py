"""Rule ratings: captures held against data sheets, and styli compared at the same age."""

import pandas as pd

from grooveledger import frames, tables
from grooveledger.comparison import comparison_table
from grooveledger.plan import Cartridge, Chain
from grooveledger.provenance import provenance
from grooveledger.ratings import ratings_table
from grooveledger.schemas.interpret import COMPARISON, RATINGS
from job import logged

with logged(snakemake.log[0]):
    job = snakemake.params.job
    captures, metrics = frames.read(snakemake.input.captures), frames.read(snakemake.input.metrics)
    ratings = ratings_table(
        captures,
        frames.read(snakemake.input.response),
        metrics,
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
        tables.write(table, frames.rows(table, frame), path, provenance(job))
