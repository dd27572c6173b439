"""Make the demo archive's recordings and their truth, as far as they are not there yet.

python scripts/simulate_demo.py [config.yaml] [--processes N]
"""

import os

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import argparse  # noqa: E402
import sys  # noqa: E402
from concurrent.futures import ProcessPoolExecutor  # noqa: E402
from pathlib import Path  # noqa: E402

import yaml  # noqa: E402

from grooveledger.faults import ConfigurationFaults  # noqa: E402
from grooveledger.simulate.demo_archive import make_demo  # noqa: E402

#: Without a terminal a line is printed for each this many recordings.
EVERY = 7


class RecordingCount:
    """Prints a line for each recording on a terminal, and for every seventh into a file."""

    def __init__(self) -> None:
        self.made = 0

    def __call__(self, line: str) -> None:
        """Count one more recording, and print its line where one is due."""
        self.made += 1
        if sys.stdout.isatty() or self.made % EVERY == 0:
            print(f"{line} ({self.made})", flush=True)


def main() -> int:
    """Run the program; the exit status."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "config",
        nargs="?",
        default="config/config.yaml",
        type=Path,
        metavar="CONFIG.yaml",
        help="the demo's configuration (default: config/config.yaml)",
    )
    parser.add_argument(
        "--processes",
        type=int,
        default=min(2, os.cpu_count() or 1),
        metavar="N",
        help="recordings made at once (default: %(default)s)",
    )
    arguments = parser.parse_args()
    config = yaml.safe_load(arguments.config.read_text(encoding="utf-8"))
    try:
        with ProcessPoolExecutor(arguments.processes) as pool:
            made = make_demo(config, Path(), pool, report=RecordingCount())
    except ConfigurationFaults as faults:
        print(faults, file=sys.stderr)
        return 1
    if made:
        print(f"demo archive: {made} recording{'' if made == 1 else 's'} made")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
