"""Stage 5. In: the archive's tables. Out: drift, loading, ratings, figures, pages, workbook."""


rule drift:
    """Fit how every figure moves with the hours on its stylus."""
    input:
        captures=f"{TABLES}/captures.parquet",
        metrics=f"{TABLES}/metrics.parquet",
        budgets=f"{TABLES}/budgets.parquet",
        stale=stale_mark("drift"),
    output:
        drift=update(f"{TABLES}/drift.parquet"),
        stylus_states=update(f"{TABLES}/stylus_states.parquet"),
        control=update(f"{TABLES}/control.parquet"),
        odd_captures=update(f"{TABLES}/odd_captures.parquet"),
        advice=update(f"{TABLES}/advice.parquet"),
    log:
        f"{RESULTS}/logs/drift.log",
    benchmark:
        f"{RESULTS}/benchmarks/drift.tsv"
    resources:
        mem_mb=grown(1000),
        runtime=grown(10),
    params:
        job=mapping_of("drift"),
    script:
        "../../scripts/rules/drift.py"


rule loading:
    """Calculate what load and arm do to every cartridge on every chain."""
    input:
        captures=f"{TABLES}/captures.parquet",
        response=f"{TABLES}/response.parquet",
        resonance_fit=f"{TABLES}/resonance_fit.parquet",
        stale=stale_mark("loading"),
    output:
        loading=update(f"{TABLES}/loading.parquet"),
        loading_checks=update(f"{TABLES}/loading_checks.parquet"),
        coils=update(f"{TABLES}/coils.parquet"),
        arm_match=update(f"{TABLES}/arm_match.parquet"),
    log:
        f"{RESULTS}/logs/loading.log",
    benchmark:
        f"{RESULTS}/benchmarks/loading.tsv"
    resources:
        mem_mb=grown(1000),
        runtime=grown(10),
    params:
        job=mapping_of("loading"),
    script:
        "../../scripts/rules/loading.py"


rule ratings:
    """Compare captures with data sheets, and styli at the same age."""
    input:
        captures=f"{TABLES}/captures.parquet",
        metrics=f"{TABLES}/metrics.parquet",
        budgets=f"{TABLES}/budgets.parquet",
        response=f"{TABLES}/response.parquet",
        stale=stale_mark("ratings"),
    output:
        ratings=update(f"{TABLES}/ratings.parquet"),
        comparison=update(f"{TABLES}/comparison.parquet"),
    log:
        f"{RESULTS}/logs/ratings.log",
    benchmark:
        f"{RESULTS}/benchmarks/ratings.tsv"
    resources:
        mem_mb=grown(1000),
        runtime=grown(10),
    params:
        job=mapping_of("ratings"),
    script:
        "../../scripts/rules/ratings.py"


rule capture_pages:
    """Write the pages of several captures that are stale, and no others, in one process."""
    input:
        of_batch,
        before=figures_before,
        stale=stale_mark("capture_pages"),
    output:
        written=update(f"{REPORT}/captures/.written-{{batch}}"),
    log:
        f"{RESULTS}/logs/capture_pages/{{batch}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/capture_pages/{{batch}}.tsv"
    resources:
        mem_mb=grown(400),
        runtime=grown(5),
    params:
        job=mapping_of("capture_pages"),
    script:
        "../../scripts/rules/capture_pages.py"


rule stylus_page:
    """Write the page of a stylus."""
    input:
        captures=f"{TABLES}/captures.parquet",
        metrics=f"{TABLES}/metrics.parquet",
        budgets=f"{TABLES}/budgets.parquet",
        drift=f"{TABLES}/drift.parquet",
        stylus_states=f"{TABLES}/stylus_states.parquet",
        control=f"{TABLES}/control.parquet",
        advice=f"{TABLES}/advice.parquet",
        curves=of_stylus,
        stale=stale_mark("stylus_page"),
    output:
        page=update(f"{REPORT}/styli/{{stylus}}.html"),
        pictures=directory(f"{REPORT}/styli/{{stylus}}"),
        figures=report(
            directory(f"{RESULTS}/figures/{{stylus}}"),
            patterns=["{picture}.png"],
            caption="../report/stylus.rst",
            category="Styli",
            subcategory="{stylus}",
        ),
    log:
        f"{RESULTS}/logs/stylus_page/{{stylus}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/stylus_page/{{stylus}}.tsv"
    resources:
        mem_mb=grown(600),
        runtime=grown(10),
    params:
        job=mapping_of("stylus_page"),
    script:
        "../../scripts/rules/stylus_page.py"


rule loading_page:
    """Write the page of what load and arm do to a cartridge."""
    input:
        captures=f"{TABLES}/captures.parquet",
        response=f"{TABLES}/response.parquet",
        loading=f"{TABLES}/loading.parquet",
        loading_checks=f"{TABLES}/loading_checks.parquet",
        coils=f"{TABLES}/coils.parquet",
        arm_match=f"{TABLES}/arm_match.parquet",
        stale=stale_mark("loading_page"),
    output:
        page=update(f"{REPORT}/loading/{{cartridge}}.html"),
        pictures=directory(f"{REPORT}/loading/{{cartridge}}"),
    log:
        f"{RESULTS}/logs/loading_page/{{cartridge}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/loading_page/{{cartridge}}.tsv"
    resources:
        mem_mb=grown(600),
        runtime=grown(10),
    params:
        job=mapping_of("loading_page"),
    script:
        "../../scripts/rules/loading_page.py"


rule index_pages:
    """Write the first page and the comparison."""
    input:
        captures=f"{TABLES}/captures.parquet",
        metrics=f"{TABLES}/metrics.parquet",
        response=f"{TABLES}/response.parquet",
        drift=f"{TABLES}/drift.parquet",
        ratings=f"{TABLES}/ratings.parquet",
        comparison=f"{TABLES}/comparison.parquet",
        loading=f"{TABLES}/loading.parquet",
        curves=of_captures(),
        stale=stale_mark("index_pages"),
    output:
        index=update(f"{REPORT}/index.html"),
        comparison=update(f"{REPORT}/comparison.html"),
        pictures=directory(f"{REPORT}/comparison"),
    log:
        f"{RESULTS}/logs/index_pages.log",
    benchmark:
        f"{RESULTS}/benchmarks/index_pages.tsv"
    resources:
        mem_mb=grown(1000),
        runtime=grown(10),
    params:
        job=mapping_of("index_pages"),
    script:
        "../../scripts/rules/index_pages.py"


rule methods_pages:
    """Write how each figure is measured, beside the report."""
    input:
        stale=stale_mark("methods_pages"),
    output:
        pages=directory(f"{REPORT}/methods"),
    log:
        f"{RESULTS}/logs/methods_pages.log",
    benchmark:
        f"{RESULTS}/benchmarks/methods_pages.tsv"
    resources:
        mem_mb=grown(300),
        runtime=grown(5),
    params:
        job=mapping_of("methods_pages"),
    script:
        "../../scripts/rules/methods_pages.py"


rule export:
    """Write the tables as a workbook and as CSV."""
    input:
        tables=[*ARCHIVE_TABLES, *INTERPRETED_TABLES],
        stale=stale_mark("export"),
    output:
        workbook=report(
            update(f"{RESULTS}/export/archive.xlsx"),
            caption="../report/workbook.rst",
            category="Tables",
        ),
        csv=directory(f"{RESULTS}/export/csv"),
    log:
        f"{RESULTS}/logs/export.log",
    benchmark:
        f"{RESULTS}/benchmarks/export.tsv"
    resources:
        mem_mb=grown(1000),
        runtime=grown(30),
    params:
        job=mapping_of("export"),
    script:
        "../../scripts/rules/export.py"


rule complete:
    """Fail where a table could not be made, which by then took nothing else along."""
    input:
        INTERPRETED_TABLES,
        captures=f"{TABLES}/captures.parquet",
    output:
        update(f"{TABLES}/.complete"),
    log:
        f"{RESULTS}/logs/complete.log",
    benchmark:
        f"{RESULTS}/benchmarks/complete.tsv"
    resources:
        mem_mb=grown(200),
        runtime=grown(5),
    script:
        "../../scripts/rules/complete.py"
