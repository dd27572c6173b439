"""Add new recordings to the captures' sheet.

python scripts/register.py my/config.yaml

Reads every recording under captures_dir that the sheet does not name, takes what it can from the
file's name (register.patterns in the configuration), from your own notes (--notes), from the file
itself and from its sound, and appends one row each. What was typed stays as it is.
"""

from pathlib import Path

from command_line import archive_parser, exit_status
from grooveledger.configuration.notes import read_notes
from grooveledger.configuration.register import register, summary


def main() -> None:
    """Run the program."""
    parser = archive_parser(__doc__)
    parser.add_argument(
        "--no-listening", action="store_true", help="do not decode: names and files' facts only"
    )
    parser.add_argument(
        "--notes",
        type=Path,
        metavar="TABLE",
        help="a table of your own notes: any columns of captures.tsv, joined by file, else by "
        "captured_at, else by the order of the recordings' names",
    )
    parser.add_argument("--dry-run", action="store_true", help="show the rows, append none")
    arguments = parser.parse_args()

    def report(line: str) -> None:
        print(line, flush=True)

    registered = register(
        arguments.configfile,
        arguments.directory,
        report,
        listen=not arguments.no_listening,
        write=not arguments.dry_run,
        notes=arguments.notes and read_notes(arguments.notes),
    )
    print("\n".join(summary(registered, written=not arguments.dry_run)))
    if registered.faults:
        raise SystemExit(1)


if __name__ == "__main__":
    raise SystemExit(exit_status(main))
