"""Rule export: the tables for a spreadsheet, as one workbook and as CSV."""

from pathlib import Path

import block_pandas  # noqa: F401
import bug_log  # noqa: F401
from grooveledger.export import csv_files, workbook
from grooveledger.storage.provenance import stamp

paths = [Path(path) for path in snakemake.input.tables]
left_out = snakemake.params.job["settings"]["report"]["workbook_leaves_out"]
workbook.write(paths, Path(snakemake.output.workbook), left_out=left_out)
csv_files.write(paths, Path(snakemake.output.csv))
stamp(snakemake.output.csv, snakemake.params.job)
