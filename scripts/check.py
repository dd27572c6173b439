"""Check an archive's configuration without running anything.

python scripts/check.py my/config.yaml

Lists every fault in every file; if there is none, what would be measured from each record side,
from which tracks, and what a side can't give.
"""

from command_line import archive_parser, exit_status
from grooveledger.configuration import load, read_config
from grooveledger.configuration.check import report


def main() -> None:
    """Run the program."""
    arguments = archive_parser(__doc__).parse_args()
    config = read_config(arguments.configfile)
    archive = load(config, arguments.directory, str(arguments.configfile))
    print("\n".join(report(archive, arguments.directory)))


if __name__ == "__main__":
    raise SystemExit(exit_status(main))
