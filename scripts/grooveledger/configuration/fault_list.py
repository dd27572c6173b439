"""What collects the faults of an archive's files, so that all are reported in one pass."""

import re
from collections.abc import Iterable

from grooveledger.faults import ConfigurationFaults, Fault


class Faults:
    """Faults of all files, in the order of detection."""

    def __init__(self) -> None:
        self._found: list[Fault] = []

    def __len__(self) -> int:
        return len(self._found)

    def add(self, file: str, place: str, problem: str, remedy: str) -> None:
        """Add a fault of a file, see `Fault`."""
        self._found.append(Fault(file, place, problem, remedy))

    def extend(self, faults: Iterable[Fault]) -> None:
        """Add faults that were made elsewhere."""
        self._found.extend(faults)

    def in_order(self) -> list[Fault]:
        """Return them file by file in the order of reading, each from top to bottom."""
        files = list(dict.fromkeys(fault.file for fault in self._found))

        def key(fault: Fault) -> tuple[int, int]:
            number = re.match(r"(?:row|line) (\d+)", fault.place)
            return files.index(fault.file), int(number[1]) if number else 0

        return sorted(self._found, key=key)

    def stop_if_any(self) -> None:
        """Raise ConfigurationFaults where anything is wrong."""
        if self._found:
            raise ConfigurationFaults(self.in_order())
