"""Stage 1. In: a capture and its side's plan. Out: where the tracks lie, and the file's health."""


def segment_job(wildcards):
    return JOBS.segment(wildcards.capture)


rule segment:
    """Find the planned tracks in a capture."""
    output:
        tracks=CAPTURE + "/tracks.parquet",
        health=CAPTURE + "/health.parquet",
    log:
        RESULTS + "/logs/segment/{capture}.log",
    benchmark:
        RESULTS + "/benchmarks/segment/{capture}.tsv"
    params:
        job=segment_job,
    resources:
        mem_mb=300,
        runtime=10,
    script:
        "../../scripts/segment.py"
