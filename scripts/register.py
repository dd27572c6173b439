"""Take new recordings into the captures' sheet.

python scripts/register.py --configfile my/config.yaml

Reads every recording under captures_dir that the sheet does not name, takes what it can from the
file's name (register.patterns in the configuration), from the file itself and from what is heard in
it, and appends one row each. What was typed stays as it is.
"""

import argparse
import sys
from pathlib import Path

from grooveledger.faults import ConfigurationFaults
from grooveledger.register import register, summary


def main() -> int:
    """Run the program; the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--configfile", type=Path, default=Path("config/config.yaml"))
    parser.add_argument(
        "--directory", type=Path, default=Path(), help="what relative paths count from"
    )
    parser.add_argument(
        "--no-listening", action="store_true", help="do not decode: names and files' facts only"
    )
    parser.add_argument("--dry-run", action="store_true", help="show the rows, append none")
    arguments = parser.parse_args()

    def told(line: str) -> None:
        print(line, flush=True)

    try:
        registered = register(
            arguments.configfile,
            arguments.directory,
            told,
            listen=not arguments.no_listening,
            write=not arguments.dry_run,
        )
    except ConfigurationFaults as faults:
        print(faults, file=sys.stderr)
        return 1
    print("\n".join(summary(registered, written=not arguments.dry_run)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
