"""Rule drift: how every figure moves with the hours on its stylus."""

from pathlib import Path

import pandas as pd

import bug_log  # noqa: F401
from failing import failing_alone
from grooveledger.schemas.interpret import ADVICE, CONTROL, DRIFT, ODD_CAPTURES, STYLUS_STATES
from grooveledger.storage import data_frames, tables
from grooveledger.storage.provenance import provenance

with failing_alone(snakemake, DRIFT, STYLUS_STATES, CONTROL, ODD_CAPTURES, ADVICE):
    from grooveledger.interpret.drift import (
        advice_table,
        analyse_archive,
        control_table,
        drift_table,
        odd_captures_table,
        stylus_states,
    )

    job = snakemake.params.job
    settings = job["settings"]["drift"]
    styli = pd.DataFrame(list(job["styli"].values()))
    metrics, captures = (
        data_frames.read(snakemake.input.metrics),
        data_frames.read(snakemake.input.captures),
    )
    archive = (metrics, captures, styli, settings)
    analysis = analyse_archive(*archive, data_frames.read(snakemake.input.budgets))
    drift = drift_table(*archive, analysis)
    control = control_table(*archive, analysis)
    odd = odd_captures_table(*archive, analysis)
    made = (
        (DRIFT, drift),
        (STYLUS_STATES, stylus_states(drift, captures, styli, settings, odd)),
        (ODD_CAPTURES, odd),
        (CONTROL, control),
        (ADVICE, advice_table(drift, control, captures, styli, settings)),
    )
    folder = Path(snakemake.output.drift).parent
    for table, frame in made:
        tables.write(
            table, data_frames.rows(table, frame), folder / f"{table.name}.parquet", provenance(job)
        )
