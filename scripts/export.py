"""Rule export: the tables for a spreadsheet, as one workbook and as CSV."""

from pathlib import Path

import light  # noqa: F401
from grooveledger import csv_export, workbook
from grooveledger.provenance import stamp
from job import logged

with logged(snakemake.log[0]):
    paths = [Path(path) for path in snakemake.input.tables]
    workbook.write(paths, Path(snakemake.output.workbook))
    csv_export.write(paths, Path(snakemake.output.csv))
    stamp(snakemake.output.csv, snakemake.params.job)
