"""Rule complete: whether every table of the archive could be made; fails where one could not."""

import sys
from pathlib import Path

import block_pandas  # noqa: F401
from grooveledger.storage.provenance import failure

# One line a rule that failed, whatever tables it makes.
lines = dict.fromkeys(
    f"{said['error']} (see {said['log']})"
    for path in snakemake.input
    if (said := failure(Path(path)))
)
Path(snakemake.log[0]).parent.mkdir(parents=True, exist_ok=True)
Path(snakemake.log[0]).write_text("\n".join(lines), encoding="utf-8")
if lines:
    sys.exit(f"tables that could not be made: {', '.join(lines)}")
Path(snakemake.output[0]).write_text("", encoding="utf-8")
