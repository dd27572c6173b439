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


class _Configuration(argparse.Action):
    """Takes the configuration by position or by name; both at once are refused."""

    def __call__(self, parser, namespace, values, option_string=None):  # type: ignore[no-untyped-def]
        if values is not None:
            namespace.configfile = values


def archive_parser(description: str, **first: str) -> argparse.ArgumentParser:
    """Return a parser of a program that works on an archive: the arguments that say which.

    Parameters
    ----------
    first : str
        Help of positional arguments that come before the archive's, by name.
    """
    made = parser(description)
    for name, text in first.items():
        made.add_argument(name, metavar=name.upper(), help=text)
    made.set_defaults(configfile=Path("config/config.yaml"))
    made.add_argument(
        "config",
        nargs="?",
        type=Path,
        action=_Configuration,
        metavar="CONFIG.yaml",
        help="the archive's configuration (default: the demo's, config/config.yaml)",
    )
    made.add_argument(
        "--configfile",
        type=Path,
        metavar="CONFIG.yaml",
        help="the same, by name",
        default=argparse.SUPPRESS,
    )
    made.add_argument(
        "--directory",
        type=Path,
        default=Path(),
        help="what relative paths in it count from (default: this folder)",
    )
    return made


def exit_status(program: Callable[[], int | None], fault: int = 1) -> int:
    """Run a program; returns the exit status. Wrong input gets a message, not a traceback."""
    try:
        status = program() or 0
        sys.stdout.flush()
    except ConfigurationFaults as faults:
        print(faults, file=sys.stderr)
        return fault
    except BrokenPipeError:
        # The reader, such as a pager, has seen enough; what is left to flush goes nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        # A path that a person gave; without one it is the program's own fault.
        if error.filename is None:
            raise
        print(
            f"{error.filename}: {error.strerror}. Check the path, and the room on its disk.",
            file=sys.stderr,
        )
        return fault
    except KeyboardInterrupt:
        return 130
    return status
