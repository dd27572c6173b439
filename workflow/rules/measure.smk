"""Stage 3. In: a capture's observations. Out: its figures, one table a measure. No audio is read."""


rule measure:
    """Calculate every figure of a capture."""
    input:
        tracks=f"{CAPTURE}/tracks.parquet",
        observations=expand(
            f"{OBSERVATIONS}/{{observation}}.parquet",
            observation=["orders", "tone_spectrum", "speed_trace", "noise_density", "noise_level"],
            allow_missing=True,
        ),
        stale=stale_mark("measure"),
    output:
        update(expand(f"{CAPTURE}/{{measure}}.parquet", measure=MEASURES, allow_missing=True)),
        metrics=update(f"{CAPTURE}/metrics.parquet"),
        remarks=update(f"{CAPTURE}/remarks.parquet"),
    log:
        f"{RESULTS}/logs/measure/{{capture}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/measure/{{capture}}.tsv"
    resources:
        mem_mb=grown(200),
        runtime=grown(5),
    params:
        job=mapping_of("measure"),
    script:
        "../../scripts/rules/measure.py"
