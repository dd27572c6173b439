"""Stage 2. In: a capture and its tracks. Out: what was heard, in converter units, uncorrected."""

OBSERVATIONS = CAPTURE + "/observations"


def orders_job(wildcards):
    return JOBS.observe(wildcards.capture, "orders")


def speed_trace_job(wildcards):
    return JOBS.observe(wildcards.capture, "speed_trace")


def noise_density_job(wildcards):
    return JOBS.observe(wildcards.capture, "noise_density")


rule observe_orders:
    """Read the orders of every tone, step and sweep in both channels."""
    input:
        tracks=CAPTURE + "/tracks.parquet",
    output:
        orders=OBSERVATIONS + "/orders.parquet",
        tone_spectrum=OBSERVATIONS + "/tone_spectrum.parquet",
    log:
        RESULTS + "/logs/observe_orders/{capture}.log",
    benchmark:
        RESULTS + "/benchmarks/observe_orders/{capture}.tsv"
    params:
        job=orders_job,
    resources:
        mem_mb=600,
        runtime=20,
    script:
        "../../scripts/observe_orders.py"


rule observe_speed_trace:
    """Follow the frequency of the speed tones."""
    input:
        tracks=CAPTURE + "/tracks.parquet",
    output:
        speed_trace=OBSERVATIONS + "/speed_trace.parquet",
    log:
        RESULTS + "/logs/observe_speed_trace/{capture}.log",
    benchmark:
        RESULTS + "/benchmarks/observe_speed_trace/{capture}.tsv"
    params:
        job=speed_trace_job,
    resources:
        mem_mb=300,
        runtime=10,
    script:
        "../../scripts/observe_speed_trace.py"


rule observe_noise_density:
    """Analyse the noise of the silent grooves."""
    input:
        tracks=CAPTURE + "/tracks.parquet",
    output:
        noise_density=OBSERVATIONS + "/noise_density.parquet",
    log:
        RESULTS + "/logs/observe_noise_density/{capture}.log",
    benchmark:
        RESULTS + "/benchmarks/observe_noise_density/{capture}.tsv"
    params:
        job=noise_density_job,
    resources:
        mem_mb=300,
        runtime=10,
    script:
        "../../scripts/observe_noise_density.py"
