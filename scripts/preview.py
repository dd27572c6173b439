"""Show what a run would make again, why, and about how long it would take; run nothing.

python scripts/preview.py my/config.yaml
"""

import os

from command_line import archive_parser, exit_status
from grooveledger.configuration import load, read_config
from grooveledger.run import inventory
from grooveledger.run.jobs import Jobs
from grooveledger.run.preview import lines, seconds
from grooveledger.run.staleness import stale_jobs


def main() -> None:
    """Run the program."""
    parser = archive_parser(__doc__)
    parser.add_argument(
        "--cores",
        type=int,
        default=os.cpu_count() or 1,
        metavar="N",
        help="processors that the run will use, for the time it takes (default: all)",
    )
    arguments = parser.parse_args()
    config = read_config(arguments.configfile)
    archive = load(config, arguments.directory, str(arguments.configfile))
    results = arguments.directory / archive.settings["results"]
    files = [row["file"] for row in archive.captures]
    captures_dir = arguments.directory / archive.settings["captures_dir"]
    jobs = Jobs(archive, inventory.update(results / ".inventory.tsv", captures_dir, files))
    stale = stale_jobs(jobs, results)
    times = seconds([item.job for item in stale], results)
    total = sum(1 for _ in jobs.all())
    print("\n".join(lines(stale, total, times, max(1, arguments.cores))))


if __name__ == "__main__":
    raise SystemExit(exit_status(main))
