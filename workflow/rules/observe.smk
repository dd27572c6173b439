"""Stage 2. In: a capture and its tracks. Out: readings in converter units, uncorrected."""


rule observe:
    """Make every observation of a capture that is stale, and no other, in one process."""
    input:
        tracks=f"{CAPTURE}/tracks.parquet",
        stale=stale_mark("observe"),
    output:
        update(f"{OBSERVATIONS}/orders.parquet"),
        update(f"{OBSERVATIONS}/tone_spectrum.parquet"),
        update(f"{OBSERVATIONS}/speed_trace.parquet"),
        update(f"{OBSERVATIONS}/noise_density.parquet"),
        update(f"{OBSERVATIONS}/noise_level.parquet"),
    log:
        f"{RESULTS}/logs/observe/{{capture}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/observe/{{capture}}.tsv"
    resources:
        mem_mb=grown(600),
        runtime=grown(20),
    params:
        job=mapping_of("observe"),
    script:
        "../../scripts/rules/observe.py"
