"""Stages 1 to 3. In: a capture, its side's plan. Out: its tracks, observations and figures.

One process: sound is decoded once as far as memory allows, and a start is paid once. What is up to
date is left as it is. The scalars stand for all tables of the capture: each of those says what it came
from, and one that is missing or came from something else has the job run.
"""


rule capture:
    """Segment, observe and measure a capture: what is stale of it."""
    input:
        stale=stale_mark("capture"),
    output:
        metrics=update(f"{CAPTURE}/metrics.parquet"),
    log:
        f"{RESULTS}/logs/capture/{{capture}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/capture/{{capture}}.tsv"
    resources:
        mem_mb=grown(600),
        runtime=grown(20),
    params:
        job=mapping_of("capture"),
    script:
        "../../scripts/rules/capture.py"
