"""Stage 2. In: a capture and its tracks. Out: what was heard, in converter units, uncorrected."""


rule observe_orders:
    """Read the orders of every tone, step and sweep in both channels."""
    input:
        tracks=f"{CAPTURE}/tracks.parquet",
        stale=stale_mark("observe_orders"),
    output:
        orders=update(f"{OBSERVATIONS}/orders.parquet"),
        tone_spectrum=update(f"{OBSERVATIONS}/tone_spectrum.parquet"),
    log:
        f"{RESULTS}/logs/observe_orders/{{capture}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/observe_orders/{{capture}}.tsv"
    resources:
        mem_mb=grown(600),
        runtime=grown(20),
    params:
        job=mapping_of("observe_orders"),
    script:
        "../../scripts/rules/observe_orders.py"


rule observe_speed_trace:
    """Follow the frequency of the speed tones."""
    input:
        tracks=f"{CAPTURE}/tracks.parquet",
        stale=stale_mark("observe_speed_trace"),
    output:
        speed_trace=update(f"{OBSERVATIONS}/speed_trace.parquet"),
    log:
        f"{RESULTS}/logs/observe_speed_trace/{{capture}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/observe_speed_trace/{{capture}}.tsv"
    resources:
        mem_mb=grown(300),
        runtime=grown(10),
    params:
        job=mapping_of("observe_speed_trace"),
    script:
        "../../scripts/rules/observe_speed_trace.py"


rule observe_noise_density:
    """Analyse the noise of the silent grooves."""
    input:
        tracks=f"{CAPTURE}/tracks.parquet",
        stale=stale_mark("observe_noise_density"),
    output:
        noise_density=update(f"{OBSERVATIONS}/noise_density.parquet"),
    log:
        f"{RESULTS}/logs/observe_noise_density/{{capture}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/observe_noise_density/{{capture}}.tsv"
    resources:
        mem_mb=grown(300),
        runtime=grown(10),
    params:
        job=mapping_of("observe_noise_density"),
    script:
        "../../scripts/rules/observe_noise_density.py"
