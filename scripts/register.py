"""Take new recordings into the captures' sheet.

python scripts/register.py --configfile my/config.yaml

Reads every recording under captures_dir that the sheet does not name, takes what it can from the
file's name (register.patterns in the configuration), from the file itself and from what is heard in
it, and appends one row each. What was typed stays as it is.
"""

from command_line import archive_parser, run
from grooveledger.configuration.register import register, summary


def main() -> None:
    """Run the program."""
    parser = archive_parser(__doc__)
    parser.add_argument(
        "--no-listening", action="store_true", help="do not decode: names and files' facts only"
    )
    parser.add_argument("--dry-run", action="store_true", help="show the rows, append none")
    arguments = parser.parse_args()

    def told(line: str) -> None:
        print(line, flush=True)

    registered = register(
        arguments.configfile,
        arguments.directory,
        told,
        listen=not arguments.no_listening,
        write=not arguments.dry_run,
    )
    print("\n".join(summary(registered, written=not arguments.dry_run)))


if __name__ == "__main__":
    raise SystemExit(run(main))
