"""The two kinds of error that a person's input can cause.

Anything else that is raised is a bug of ours and must stay loud.
"""

import re
from collections.abc import Iterable
from typing import NamedTuple

#: How the place of a fault in a sheet begins.
_ROW = re.compile(r"row (\d+)")


class Fault(NamedTuple):
    """One fault of the configuration, worded so that a person can correct it.

    Attributes
    ----------
    file : str
        The file as the person named it.
    place : str
        Row, column or key, e.g. ``"row 7, stylus_hours"``; may be empty for the whole file.
    problem : str
        What is wrong, with the offending value.
    remedy : str
        What would be right.
    """

    file: str
    place: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        where = f"{self.file}: {self.place}" if self.place else self.file
        return f"{where}: {self.problem}. {self.remedy}"


class ConfigurationFaults(Exception):
    """Every fault of a configuration, reported in one pass."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(_lines(self.faults)))


def _lines(faults: Iterable[Fault]) -> list[str]:
    """Return a line a fault; rows of a sheet that have the same fault share one."""
    rows: dict[Fault, list[int]] = {}
    for fault in faults:
        row = _ROW.match(fault.place)
        general = fault._replace(place=fault.place[row.end() :]) if row else fault
        rows.setdefault(general, []).extend([int(row[1])] if row else [])
    return [
        str(fault._replace(place=_spoken(numbers) + fault.place) if numbers else fault)
        for fault, numbers in rows.items()
    ]


def _spoken(rows: list[int]) -> str:
    """Return rows in words, such as ``rows 3, 7 to 12``."""
    runs: list[list[int]] = []
    for row in sorted(rows):
        if runs and row == runs[-1][-1] + 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    parts = [str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs]
    return f"row{'s' if len(rows) > 1 else ''} {', '.join(parts)}"


class CaptureFault(Exception):
    """A capture that can't be measured: what was seen, and what to do about it."""
