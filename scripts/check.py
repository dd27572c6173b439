"""Check an archive's configuration without running anything.

python scripts/check.py --configfile my/config.yaml

Tells every fault of every file; where there is none, what would be measured from each record side,
from which tracks, and what a side can't give.
"""

import argparse
import sys
from pathlib import Path

from grooveledger.check import report
from grooveledger.configuration import load, read_config
from grooveledger.faults import ConfigurationFaults


def main() -> int:
    """Run the program; the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--configfile", type=Path, default=Path("config/config.yaml"))
    parser.add_argument(
        "--directory", type=Path, default=Path(), help="what relative paths count from"
    )
    arguments = parser.parse_args()
    try:
        config = read_config(arguments.configfile)
        archive = load(config, arguments.directory, str(arguments.configfile))
    except ConfigurationFaults as faults:
        print(faults, file=sys.stderr)
        count = len(faults.faults)
        print(f"{count} fault{'s' if count > 1 else ''} to mend.", file=sys.stderr)
        return 1
    print("\n".join(report(archive, arguments.directory)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
