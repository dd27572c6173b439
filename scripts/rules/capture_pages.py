"""Rule capture_pages: the stale pages among those of several captures."""

import time
from pathlib import Path

import block_pandas  # noqa: F401
import bug_log  # noqa: F401
import seldom_collect  # noqa: F401
from grooveledger.report import capture_page
from grooveledger.storage.atomic_write import written_whole
from grooveledger.storage.digests import digest
from grooveledger.storage.provenance import made_from, stamp
from job import note_seconds

captures = Path(snakemake.config["results"]) / "captures"
written = Path(snakemake.output.written)
bugs: list[Exception] = []
for capture, job in snakemake.params.job.items():
    page = written.with_name(f"{capture}.html")
    if page.exists() and made_from(page.with_suffix(""), digest(job)):
        continue
    begin = time.perf_counter()
    try:
        capture_page.write(job, captures / capture, page)
    except Exception as bug:
        # The other pages are written all the same; then the job fails.
        bug.add_note(f"on the page of {capture}")
        bugs.append(bug)
        continue
    stamp(page.with_suffix(""), job)
    note_seconds(snakemake.config, capture, {"capture_page": time.perf_counter() - begin})
if bugs:
    raise ExceptionGroup("pages that could not be written", bugs)
with written_whole(written) as scratch:
    scratch.write_text("\n".join([*snakemake.params.job, ""]), encoding="utf-8")
