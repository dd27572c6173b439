"""Rule observe_orders: the orders of every driven track, and the spectra of its tones."""

import block_pandas  # noqa: F401
from grooveledger.observe.job import observe
from grooveledger.observe.orders import observe_orders
from grooveledger.schemas.observe import ORDERS, TONE_SPECTRUM
from job import capture_path, logged

with logged(snakemake.log[0]):
    job = snakemake.params.job
    observe(
        observe_orders,
        (
            ORDERS,
            TONE_SPECTRUM,
        ),
        capture_path(snakemake.config, job),
        snakemake.input.tracks,
        list(snakemake.output),
        job,
    )
