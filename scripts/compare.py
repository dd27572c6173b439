"""Show what moved between a kept snapshot of the results and the results as they are now.

python scripts/compare.py NAME --configfile my/config.yaml

NAME is that of a snapshot (run.sh --keep-snapshot NAME) or the path of any results folder. Writes
report/changes/NAME.html under the results, and beside it a folder of that name with the pictures,
the tables and a workbook.
"""

import argparse
import sys
from pathlib import Path

from grooveledger import changes, frames, snapshot, tables, workbook
from grooveledger.configuration import read_config
from grooveledger.faults import ConfigurationFaults
from grooveledger.report import changes_page
from grooveledger.schemas.changes import CHANGED_FIGURES, CHANGED_METRICS, CHANGED_VERDICTS


def main() -> int:
    """Run the program; the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("name", help="a snapshot's name, or the path of a results folder")
    parser.add_argument("--configfile", type=Path, default=Path("config/config.yaml"))
    parser.add_argument(
        "--directory", type=Path, default=Path(), help="what relative paths count from"
    )
    arguments = parser.parse_args()
    try:
        after = arguments.directory / read_config(arguments.configfile).get("results", "results")
        before = snapshot.find(after, arguments.name)
    except ConfigurationFaults as faults:
        print(faults, file=sys.stderr)
        return 1
    found = changes.compare(before, after)
    page = after / "report" / "changes" / f"{before.name}.html"
    folder = page.with_name(before.name)
    paths = []
    for table, frame in (
        (CHANGED_METRICS, found.metrics),
        (CHANGED_FIGURES, found.figures),
        (CHANGED_VERDICTS, found.verdicts),
    ):
        paths.append(folder / f"{table.name}.parquet")
        tables.write(table, frames.rows(table, frame), paths[-1], {})
    declared = {table.name: table for table in (CHANGED_METRICS, CHANGED_FIGURES, CHANGED_VERDICTS)}
    workbook.write(paths, folder / "changes.xlsx", declared=declared)
    changes_page.write(found, before, after, (before.name, "now"), page)
    captures = found.figures["capture"].nunique()
    beyond = found.figures.loc[found.figures["beyond"].eq(True), "capture"].nunique()
    print(
        f"Of {len(found.captures)} captures in both, figures of {captures} moved, of {beyond} "
        f"beyond repeatability; {len(found.verdicts)} verdicts changed.\n{page}"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
