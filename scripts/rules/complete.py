"""Rule complete: whether every table could be made; fails where one could not."""

import sys
from pathlib import Path

import block_pandas  # noqa: F401
import bug_log  # noqa: F401
from grooveledger.storage.provenance import failed_captures, failure

# One line a rule that failed, whatever tables it makes, and one a capture.
lines = dict.fromkeys(
    f"{said['error']} (see {said['log']})"
    for path in snakemake.input
    if (said := failure(Path(path)))
)
lines |= dict.fromkeys(
    f"{capture}: {said['error']} (see {said['log']})"
    for capture, said in failed_captures(Path(snakemake.input.captures)).items()
)
Path(snakemake.log[0]).parent.mkdir(parents=True, exist_ok=True)
Path(snakemake.log[0]).write_text("\n".join(lines), encoding="utf-8")
if lines:
    sys.exit(f"tables that could not be made: {', '.join(lines)}")
Path(snakemake.output[0]).write_text("", encoding="utf-8")
