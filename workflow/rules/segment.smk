"""Stage 1. In: a capture and its side's plan. Out: where the tracks lie, and the file's health."""


rule segment:
    """Locate the planned tracks in a capture."""
    input:
        stale=stale_mark("segment"),
    output:
        tracks=update(f"{CAPTURE}/tracks.parquet"),
        health=update(f"{CAPTURE}/health.parquet"),
    log:
        f"{RESULTS}/logs/segment/{{capture}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/segment/{{capture}}.tsv"
    resources:
        mem_mb=grown(300),
        runtime=grown(10),
    params:
        job=mapping_of("segment"),
    script:
        "../../scripts/rules/segment.py"
