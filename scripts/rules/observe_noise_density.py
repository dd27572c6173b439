"""Rule observe_noise_density: the noise of the silent grooves."""

import block_pandas  # noqa: F401
from grooveledger.observe.job import observe
from grooveledger.observe.noise_density import observe_noise
from grooveledger.schemas.observe import NOISE_DENSITY
from job import capture_path, logged

with logged(snakemake.log[0]):
    job = snakemake.params.job
    observe(
        observe_noise,
        (NOISE_DENSITY,),
        capture_path(snakemake.config, job),
        snakemake.input.tracks,
        list(snakemake.output),
        job,
    )
