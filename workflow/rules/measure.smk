"""Stage 3. In: a capture's observations. Out: its figures, one table a measure. No audio is read."""

from grooveledger.measures import MEASURES


def measure_observations(wildcards):
    files = []
    for observation in JOBS.observations(wildcards.capture):
        files.append(f"{OBSERVATIONS}/{observation}.parquet".format(capture=wildcards.capture))
        if observation == "orders":
            files.append(f"{OBSERVATIONS}/tone_spectrum.parquet".format(capture=wildcards.capture))
    return files


def measure_job(wildcards):
    return JOBS.measure(wildcards.capture)


rule measure:
    """Work out every figure of a capture."""
    input:
        tracks=CAPTURE + "/tracks.parquet",
        observations=measure_observations,
    output:
        expand(CAPTURE + "/{measure}.parquet", measure=MEASURES, allow_missing=True),
        metrics=CAPTURE + "/metrics.parquet",
        remarks=CAPTURE + "/remarks.parquet",
    log:
        RESULTS + "/logs/measure/{capture}.log",
    benchmark:
        RESULTS + "/benchmarks/measure/{capture}.tsv"
    params:
        job=measure_job,
    resources:
        mem_mb=200,
        runtime=5,
    script:
        "../../scripts/measure.py"
