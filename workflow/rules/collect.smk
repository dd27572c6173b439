"""Stage 4. In: the tables of every capture of the sheet. Out: the archive's tables."""

TABLES = RESULTS + "/tables"
ARCHIVE_TABLES = expand(
    TABLES + "/{name}.parquet", name=["captures", "tracks", *MEASURES, "metrics"]
)


def collect_job(wildcards):
    return JOBS.collect()


rule collect:
    """Join the tables of all captures."""
    input:
        health=of_captures(CAPTURE + "/health.parquet"),
        tracks=of_captures(CAPTURE + "/tracks.parquet"),
        metrics=of_captures(CAPTURE + "/metrics.parquet"),
    output:
        *ARCHIVE_TABLES[1:],
        captures=ARCHIVE_TABLES[0],
    log:
        RESULTS + "/logs/collect.log",
    benchmark:
        RESULTS + "/benchmarks/collect.tsv"
    params:
        job=collect_job,
    resources:
        mem_mb=1000,
        runtime=30,
    script:
        "../../scripts/collect.py"
