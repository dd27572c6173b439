"""Begin a new archive: a folder with a configuration to fill in, every key explained.

python scripts/start.py my-archive --captures-dir my-recordings
"""

import os
import shlex
import sys
from pathlib import Path

from command_line import exit_status
from command_line import parser as parser_of

PROJECT = Path(__file__).parents[1]


def main() -> None:
    """Run the program."""
    parser = parser_of(__doc__)
    parser.add_argument(
        "folder", type=Path, metavar="ARCHIVE", help="folder that the configuration goes to"
    )
    parser.add_argument(
        "--captures-dir",
        type=Path,
        metavar="FOLDER",
        help="folder of the recordings (default: ARCHIVE/captures)",
    )
    arguments = parser.parse_args()
    # Only now: help needs no environment.
    from grooveledger.configuration.start import start

    captures_dir = arguments.captures_dir or arguments.folder / "captures"
    written = start(arguments.folder, captures_dir)
    for path in written:
        print(f"written: {shown(path)}")
    config_file = next(path for path in written if path.name == "config.yaml")
    python, scripts = shown(Path(sys.executable)), Path(__file__).parent
    guide = PROJECT / "workflow" / "docs" / "guides" / "describing_a_record.md"
    option = shown(config_file)
    print(
        "\nNext:\n"
        "1. Fill in what is blank in chains.yaml and cartridges.yaml, a row in styli.tsv for each\n"
        "   stylus, and what it played in playing_log.tsv. Rename records/my-record.yaml after\n"
        f"   your record and describe it: {shown(guide)}\n"
        f"2. {python} {shown(scripts / 'register.py')} {option}\n"
        f"3. {python} {shown(scripts / 'check.py')} {option}\n"
        f"4. {shown(scripts / 'run.sh')} {option}"
    )


def shown(path: Path) -> str:
    """Return a path as typed in this folder: relative if below it, quoted if need be."""
    text = os.path.relpath(path)
    return shlex.quote(str(path.absolute()) if text.startswith("..") else text)


if __name__ == "__main__":
    raise SystemExit(exit_status(main))
