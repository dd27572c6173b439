"""The two things that can be wrong with what a person gives us.

Anything else that is raised is a bug of ours and must stay loud.
"""

from collections.abc import Iterable
from typing import NamedTuple


class Fault(NamedTuple):
    """One fault of the configuration, told so that a person can mend it.

    Attributes
    ----------
    file : str
        The file as the person named it.
    place : str
        Row, column or key, e.g. ``"row 7, stylus_hours"``; may be empty for the whole file.
    problem : str
        What is wrong, with the value that was found.
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
    """Every fault of a configuration, found in one pass."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class CaptureFault(Exception):
    """A capture that can't be measured: what was seen, and what to do about it."""
