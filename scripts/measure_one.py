"""Measure one recording, quickly: to a page with its response, without an archive.

python scripts/measure_one.py RECORDING RECORD.yaml --chains chains.yaml [--side a]

RECORD.yaml describes the test record, chains.yaml what lies between cartridge and file (both as in
an archive; start.py writes examples). Only the output folder is written.
"""

import argparse
from pathlib import Path

from command_line import exit_status, parser

PRINCIPLES = ("moving_magnet", "moving_iron", "moving_coil")


def parsed() -> argparse.Namespace:
    """Read the command line."""
    made = parser(__doc__)
    made.add_argument("recording", type=Path, metavar="RECORDING", help="the file")
    made.add_argument("record", type=Path, metavar="RECORD.yaml", help="description of the record")
    made.add_argument(
        "--chains",
        type=Path,
        required=True,
        metavar="CHAINS.yaml",
        help="description of what lies between cartridge and file",
    )
    made.add_argument("--chain", metavar="ID", help="which of them (default: the only one)")
    made.add_argument(
        "--side", metavar="ID", help="which side of the record (default: the only one)"
    )
    made.add_argument(
        "--principle",
        choices=PRINCIPLES,
        default=PRINCIPLES[0],
        help="how the cartridge works (default: %(default)s)",
    )
    made.add_argument(
        "--output",
        type=Path,
        metavar="FOLDER",
        help="where page and tables go (default: RECORDING-measured)",
    )
    return made.parse_args()


def main() -> int:
    """Run the program."""
    arguments = parsed()
    # Only now: help needs no environment.
    from grooveledger.run.one_recording import measure_recording

    recording = arguments.recording
    output = arguments.output or recording.with_name(f"{recording.stem}-measured")
    page, health = measure_recording(
        recording,
        arguments.record,
        arguments.side,
        arguments.chains,
        arguments.chain,
        arguments.principle,
        output,
    )
    print(health["status"] + (f": {health['reason']}" if health["reason"] else ""))
    print(f"page      {page}")
    response = page.with_suffix("") / "response.svg"
    if response.exists():
        print(f"response  {response}")
    return 0


if __name__ == "__main__":
    raise SystemExit(exit_status(main))
