"""Show what moved between a kept snapshot of the results and the results as they are now.

python scripts/compare.py NAME my/config.yaml

NAME is that of a snapshot (run.sh --keep-snapshot NAME) or the path of any results folder. Writes
report/changes/NAME.html under the results, and beside it a folder of that name with the pictures,
the tables and a workbook.
"""

from command_line import archive_parser, exit_status
from grooveledger.configuration import described, read_config
from grooveledger.export import workbook
from grooveledger.interpret import changes
from grooveledger.report import changes_page
from grooveledger.run import snapshot
from grooveledger.schemas.changes import CHANGED_FIGURES, CHANGED_METRICS, CHANGED_VERDICTS
from grooveledger.storage import data_frames, tables


def main() -> None:
    """Run the program."""
    parser = archive_parser(__doc__, name="a snapshot's name, or the path of a results folder")
    arguments = parser.parse_args()
    after = arguments.directory / read_config(arguments.configfile).get("results", "results")
    before = snapshot.find(after, arguments.name)
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
        tables.write(table, data_frames.rows(table, frame), paths[-1], {})
    declared = {table.name: table for table in (CHANGED_METRICS, CHANGED_FIGURES, CHANGED_VERDICTS)}
    workbook.write(paths, folder / "changes.xlsx", declared=declared)
    differences = described.differences(before, after)
    changes_page.write(found, before, after, (before.name, "now"), page, differences)
    for changed in differences or ():
        print(f"changed {changed.name}: {changed.before} -> {changed.after}")
    print(f"{changes_page.headline(found)}\n{page}")


if __name__ == "__main__":
    raise SystemExit(exit_status(main))
