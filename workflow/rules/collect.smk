"""Stage 4. In: the tables of every capture of the sheet. Out: the archive's tables."""


rule collect:
    """Join the tables of all captures."""
    input:
        of_captures(),
        stale=stale_mark("collect"),
    output:
        update(ARCHIVE_TABLES[1:]),
        captures=update(ARCHIVE_TABLES[0]),
    log:
        f"{RESULTS}/logs/collect.log",
    benchmark:
        f"{RESULTS}/benchmarks/collect.tsv"
    threads: 2
    resources:
        mem_mb=grown(1000),
        runtime=grown(30),
    params:
        job=mapping_of("collect"),
    script:
        "../../scripts/rules/collect.py"
