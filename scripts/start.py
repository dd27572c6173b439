"""Begin a new archive: a folder with a configuration to fill in, every key explained.

python scripts/start.py my-archive --captures-dir my-recordings
"""

import argparse
import sys
from pathlib import Path

from grooveledger.faults import ConfigurationFaults
from grooveledger.start import start


def main() -> int:
    """Run the program; the exit status."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, help="where the configuration goes")
    parser.add_argument(
        "--captures-dir", type=Path, help="folder of the recordings (default: FOLDER/captures)"
    )
    arguments = parser.parse_args()
    captures_dir = arguments.captures_dir or arguments.folder / "captures"
    try:
        written = start(arguments.folder, captures_dir)
    except ConfigurationFaults as faults:
        print(faults, file=sys.stderr)
        return 1
    config_file = next(path for path in written if path.name == "config.yaml")
    for path in written:
        print(f"written: {path}")
    print(
        "Next: fill in chains.yaml, cartridges.yaml, styli.tsv and one file for each test record,\n"
        f"then  python scripts/register.py --configfile {config_file}\n"
        f"and   python scripts/check.py --configfile {config_file}"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
