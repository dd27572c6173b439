"""Rule drift: how every figure moves with the hours on its stylus."""

from pathlib import Path

import pandas as pd

from grooveledger import frames, tables
from grooveledger.drift import drift_table
from grooveledger.provenance import provenance
from grooveledger.schemas.interpret import DRIFT
from job import logged

with logged(snakemake.log[0]):
    job = snakemake.params.job
    settings = job["settings"]["drift"]
    styli = pd.DataFrame(list(job["styli"].values()))
    metrics, captures = frames.read(snakemake.input.metrics), frames.read(snakemake.input.captures)
    drift = drift_table(metrics, captures, styli, settings)
    folder = Path(snakemake.output.drift).parent
    tables.write(DRIFT, frames.rows(DRIFT, drift), folder / "drift.parquet", provenance(job))
