"""What the programs that a person starts have in common."""

import argparse
import os
import sys
from collections.abc import Callable
from pathlib import Path

from grooveledger.faults import ConfigurationFaults


def parser(description: str) -> argparse.ArgumentParser:
    """Return a parser that shows a module's description as it is written."""
    return argparse.ArgumentParser(
        description=description, formatter_class=argparse.RawDescriptionHelpFormatter
    )


def archive_parser(description: str) -> argparse.ArgumentParser:
    """Return a parser of a program that works on an archive: the options that say which."""
    made = parser(description)
    made.add_argument("--configfile", type=Path, default=Path("config/config.yaml"))
    made.add_argument(
        "--directory", type=Path, default=Path(), help="what relative paths count from"
    )
    return made


def run(program: Callable[[], None]) -> int:
    """Run a program; returns the exit status. Faults of what a person gave are told, no more."""
    try:
        program()
        sys.stdout.flush()
    except ConfigurationFaults as faults:
        print(faults, file=sys.stderr)
        return 1
    except BrokenPipeError:
        # The reader, such as a pager, has seen enough; what is left to flush goes nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0
