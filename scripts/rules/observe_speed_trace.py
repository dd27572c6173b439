"""Rule observe_speed_trace: how the frequency of the speed tones moves."""

import block_pandas  # noqa: F401
from grooveledger.observe.job import observe
from grooveledger.observe.speed_trace import observe_speed
from grooveledger.schemas.observe import SPEED_TRACE
from job import capture_path, logged

with logged(snakemake.log[0]):
    job = snakemake.params.job
    observe(
        observe_speed,
        (SPEED_TRACE,),
        capture_path(snakemake.config, job),
        snakemake.input.tracks,
        list(snakemake.output),
        job,
    )
