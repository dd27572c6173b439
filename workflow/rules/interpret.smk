"""Stage 5. In: the archive's tables. Out: drift, loading, ratings, figures, pages, workbook."""


rule drift:
    """Tell how every figure moves with the hours on its stylus."""
    input:
        captures=f"{TABLES}/captures.parquet",
        metrics=f"{TABLES}/metrics.parquet",
    output:
        drift=f"{TABLES}/drift.parquet",
    log:
        f"{RESULTS}/logs/drift.log",
    benchmark:
        f"{RESULTS}/benchmarks/drift.tsv"
    params:
        job=drift_job,
    resources:
        mem_mb=1000,
        runtime=10,
    script:
        "../../scripts/drift.py"


rule loading:
    """Reckon what the load does to every cartridge on every chain."""
    input:
        captures=f"{TABLES}/captures.parquet",
        response=f"{TABLES}/response.parquet",
    output:
        loading=f"{TABLES}/loading.parquet",
        loading_checks=f"{TABLES}/loading_checks.parquet",
        coils=f"{TABLES}/coils.parquet",
    log:
        f"{RESULTS}/logs/loading.log",
    benchmark:
        f"{RESULTS}/benchmarks/loading.tsv"
    params:
        job=loading_job,
    resources:
        mem_mb=1000,
        runtime=10,
    script:
        "../../scripts/loading.py"


rule ratings:
    """Hold captures against data sheets, and compare styli at the same age."""
    input:
        captures=f"{TABLES}/captures.parquet",
        metrics=f"{TABLES}/metrics.parquet",
        response=f"{TABLES}/response.parquet",
    output:
        ratings=f"{TABLES}/ratings.parquet",
        comparison=f"{TABLES}/comparison.parquet",
    log:
        f"{RESULTS}/logs/ratings.log",
    benchmark:
        f"{RESULTS}/benchmarks/ratings.tsv"
    params:
        job=ratings_job,
    resources:
        mem_mb=1000,
        runtime=10,
    script:
        "../../scripts/ratings.py"


rule capture_page:
    """Write the page of a capture."""
    input:
        tracks=f"{CAPTURE}/tracks.parquet",
        health=f"{CAPTURE}/health.parquet",
        metrics=f"{CAPTURE}/metrics.parquet",
    output:
        page=f"{REPORT}/captures/{{capture}}.html",
        pictures=directory(f"{REPORT}/captures/{{capture}}"),
    log:
        f"{RESULTS}/logs/capture_page/{{capture}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/capture_page/{{capture}}.tsv"
    params:
        job=capture_page_job,
    resources:
        mem_mb=400,
        runtime=5,
    script:
        "../../scripts/capture_page.py"


rule stylus_page:
    """Write the page of a stylus."""
    input:
        drift=f"{TABLES}/drift.parquet",
    output:
        page=f"{REPORT}/styli/{{stylus}}.html",
        pictures=directory(f"{REPORT}/styli/{{stylus}}"),
    log:
        f"{RESULTS}/logs/stylus_page/{{stylus}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/stylus_page/{{stylus}}.tsv"
    params:
        job=stylus_page_job,
    resources:
        mem_mb=600,
        runtime=10,
    script:
        "../../scripts/stylus_page.py"


rule loading_page:
    """Write the page of what the load does to a cartridge."""
    input:
        loading=f"{TABLES}/loading.parquet",
    output:
        page=f"{REPORT}/loading/{{cartridge}}.html",
        pictures=directory(f"{REPORT}/loading/{{cartridge}}"),
    log:
        f"{RESULTS}/logs/loading_page/{{cartridge}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/loading_page/{{cartridge}}.tsv"
    params:
        job=loading_page_job,
    resources:
        mem_mb=600,
        runtime=10,
    script:
        "../../scripts/loading_page.py"


rule index_pages:
    """Write the first page and the comparison."""
    input:
        drift=f"{TABLES}/drift.parquet",
        ratings=f"{TABLES}/ratings.parquet",
    output:
        index=f"{REPORT}/index.html",
        comparison=f"{REPORT}/comparison.html",
        pictures=directory(f"{REPORT}/comparison"),
    log:
        f"{RESULTS}/logs/index_pages.log",
    benchmark:
        f"{RESULTS}/benchmarks/index_pages.tsv"
    params:
        job=index_pages_job,
    resources:
        mem_mb=1000,
        runtime=10,
    script:
        "../../scripts/index_pages.py"


rule export:
    """Write the tables as a workbook and as CSV."""
    input:
        ARCHIVE_TABLES,
        INTERPRETED_TABLES,
    output:
        workbook=f"{RESULTS}/export/archive.xlsx",
        csv=directory(f"{RESULTS}/export/csv"),
    log:
        f"{RESULTS}/logs/export.log",
    benchmark:
        f"{RESULTS}/benchmarks/export.tsv"
    params:
        job=export_job,
    resources:
        mem_mb=1000,
        runtime=30,
    script:
        "../../scripts/export.py"
