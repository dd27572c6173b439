"""Check the captures' sheet against the other files; fill in stylus hours and record plays."""

import bisect
import datetime
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from itertools import accumulate
from typing import Any

from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.records import Records
from grooveledger.configuration.sheets import Row, day, duplicates
from grooveledger.configuration.suggestions import listed, suggestion
from grooveledger.configuration.validation import shown
from grooveledger.faults import Fault

#: No usual file system takes a longer name of a file or folder.
NAME_MAX_BYTES = 255
#: Hours typed with few decimals may fall short of a sum by rounding.
HOURS_ROUNDING = 0.05


class PlayingLog:
    """Hours played by each stylus up to a day."""

    def __init__(self, rows: Iterable[Row]) -> None:
        entries: dict[str, list[tuple[datetime.date, float]]] = defaultdict(list)
        for _, values in rows:
            if None not in values.values():
                entries[values["stylus"]].append((day(values["played_on"]), values["hours"]))
        self._days: dict[str, list[datetime.date]] = {}
        self._sums: dict[str, list[float]] = {}
        for stylus, played in entries.items():
            played.sort()
            self._days[stylus] = [date for date, _ in played]
            self._sums[stylus] = [0.0, *accumulate(hours for _, hours in played)]

    def knows(self, stylus: str) -> bool:
        """Whether the log has any row of a stylus."""
        return stylus in self._days

    def hours_between(self, stylus: str, first: datetime.date, end: datetime.date) -> float:
        """Return the hours played from the day `first` to the day before `end`."""
        days = self._days.get(stylus, [])
        sums = self._sums.get(stylus, [0.0])
        return sums[bisect.bisect_left(days, end)] - sums[bisect.bisect_left(days, first)]


def check_references(
    rows: Sequence[Row],
    styli: Collection[str] | None,
    chains: Collection[str] | None,
    records: Records | None,
    name: str,
    faults: Faults,
) -> None:
    """Report captures given twice, and ids that other files do not have (None: can't be read)."""
    duplicates(rows, ("capture",), name, faults)
    duplicates(rows, ("file",), name, faults)
    check_reference(rows, "stylus", styli, name, faults)
    check_reference(rows, "chain", chains, name, faults)
    check_reference(rows, "record", records and records.named, name, faults)
    if records is None:
        return
    for number, values in rows:
        record, side = values["record"], values["side"]
        options = records.named.get(record)
        if side is not None and options and side not in options:
            problem = f"record '{record}' has no side {shown(side)}"
            remedy = suggestion(side, sorted(options), "sides")
            faults.add(name, f"row {number}, side", problem, remedy)
        if options:
            faults.extend(_copy_faults(number, values, records.copies_of(record), name))


def _copy_faults(
    number: int, values: Mapping[str, Any], copies: Sequence[str], name: str
) -> Iterator[Fault]:
    record, copy = values["record"], values["copy"]
    place = f"row {number}, copy"
    if copy is None and copies:
        remedy = f"Say which copy was played. Known copies: {listed(copies)}."
        yield Fault(name, place, f"is blank, but record '{record}' names its copies", remedy)
    elif copy is not None and not copies:
        problem = f"record '{record}' names no copies"
        yield Fault(name, place, problem, "Leave the cell blank, or describe the record's copies.")
    elif copy is not None and copy not in copies:
        problem = f"record '{record}' has no copy {shown(copy)}"
        yield Fault(name, place, problem, suggestion(copy, copies, "copies"))


def check_reference(
    rows: Iterable[Row], column: str, known: Collection[str] | None, name: str, faults: Faults
) -> None:
    """Report ids that another file does not have; `known` is None if it can't be read."""
    if known is None:
        return
    remedies: dict[str, str] = {}
    for number, values in rows:
        word = values[column]
        if word is not None and word not in known:
            if word not in remedies:
                remedies[word] = suggestion(word, sorted(known), f"ids of {column}")
            place = f"row {number}, {column}"
            faults.add(name, place, f"{shown(word)} is not known", remedies[word])


def check_files(rows: Iterable[Row], name: str, faults: Faults) -> None:
    """Report paths that could leave captures_dir; a missing file is no fault."""
    for number, values in rows:
        path = values["file"]
        if path is None:
            continue
        parts = path.split("/")
        if path.startswith("/") or ".." in parts or "\\" in path or path[1:2] == ":":
            problem = f"{shown(path)} may lead out of captures_dir"
            remedy = "Give a path under captures_dir, folders separated by /, without '..'."
            faults.add(name, f"row {number}, file", problem, remedy)
        elif max(len(part.encode()) for part in parts) > NAME_MAX_BYTES:
            problem = f"{shown(path)} has a name of more than {NAME_MAX_BYTES} bytes"
            faults.add(name, f"row {number}, file", problem, "Give the file's real name.")


def fill_hours(
    rows: Iterable[Row],
    styli: Mapping[str, Mapping[str, Any]],
    log: PlayingLog | None,
    name: str,
    faults: Faults,
) -> None:
    """Fill in blank stylus hours from the playing log, and report hours that can't be.

    Hours of a stylus that the log does not name stay unknown (None), except on the day on which it
    was fitted.
    """
    for number, values in rows:
        stylus = styli.get(values["stylus"] or "")
        if stylus is None or values["captured_at"] is None:
            continue
        fitted_on, at_fitting = stylus["fitted_on"], stylus["hours_at_fitting"]
        if fitted_on is None or at_fitting is None:
            continue
        captured_on = day(values["captured_at"])
        if captured_on < day(fitted_on):
            problem = f"is before the stylus was fitted ({fitted_on})"
            remedy = "Correct the date here, or fitted_on in the styli's sheet, or the stylus."
            faults.add(name, f"row {number}, captured_at", problem, remedy)
        elif stylus["retired_on"] is not None and captured_on > day(stylus["retired_on"]):
            problem = f"is after the stylus was retired ({stylus['retired_on']})"
            remedy = "Correct the date here, or retired_on in the styli's sheet, or the stylus."
            faults.add(name, f"row {number}, captured_at", problem, remedy)
        elif values["stylus_hours"] is None:
            if log is not None and log.knows(values["stylus"]):
                played = log.hours_between(values["stylus"], day(fitted_on), captured_on)
                values["stylus_hours"] = at_fitting + played
            elif captured_on == day(fitted_on):
                values["stylus_hours"] = at_fitting
        elif values["stylus_hours"] < at_fitting - HOURS_ROUNDING:
            problem = f"{values['stylus_hours']:g} h is less than at fitting ({at_fitting:g} h)"
            remedy = "Correct it here, or hours_at_fitting in the styli's sheet."
            faults.add(name, f"row {number}, stylus_hours", problem, remedy)


def check_hours_run_forward(rows: Iterable[Row], name: str, faults: Faults) -> None:
    """Report captures with fewer hours on a stylus than an earlier capture had.

    Captures of one day are compared only where both have a time of day.
    """
    by_stylus: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        values = row.values
        if None not in (values["stylus"], values["captured_at"], values["stylus_hours"]):
            by_stylus[values["stylus"]].append(row)
    for stylus, played in sorted(by_stylus.items()):
        by_day: dict[datetime.date, list[Row]] = defaultdict(list)
        for row in sorted(played, key=_moment):
            by_day[day(row.values["captured_at"])].append(row)
        most: Row | None = None
        for rows_of_day in by_day.values():
            timed: Row | None = most
            for row in rows_of_day:
                has_time = len(row.values["captured_at"]) > len("2000-01-01")
                earlier = timed if has_time else most
                if earlier is not None and _hours(row) < _hours(earlier) - HOURS_ROUNDING:
                    faults.extend([_backwards(row, earlier, stylus, name)])
                if has_time:
                    timed = _later(timed, row)
            for row in rows_of_day:
                most = _later(most, row)


def fill_record_plays(rows: Iterable[Row]) -> None:
    """Fill in blank record plays: one more for each earlier capture of that side and copy."""
    for played in _by_groove(rows).values():
        plays = 0
        for row in sorted(played, key=_moment):
            if row.values["record_plays"] is None:
                row.values["record_plays"] = plays
            plays = row.values["record_plays"] + 1


def check_plays_run_forward(rows: Iterable[Row], name: str, faults: Faults) -> None:
    """Report captures with fewer plays of a record side than an earlier capture of it had."""
    for groove, played in sorted(_by_groove(rows).items(), key=str):
        most: Row | None = None
        for row in sorted(played, key=_moment):
            plays = row.values["record_plays"]
            if plays is None:
                continue
            if most is not None and plays < most.values["record_plays"]:
                side = " ".join(word for word in groove if word is not None)
                problem = (
                    f"{plays} plays of {side} are fewer than the {most.values['record_plays']} of "
                    f"the earlier capture in row {most.number}"
                )
                remedy = (
                    "Plays only grow: correct one of the two, or a date; a second copy of the "
                    "record is described under `copies` in its file."
                )
                faults.add(name, f"row {row.number}, record_plays", problem, remedy)
            else:
                most = row


def _by_groove(rows: Iterable[Row]) -> dict[tuple[str, str, str | None], list[Row]]:
    """Return the rows of each side of each copy of a record."""
    grooves: dict[tuple[str, str, str | None], list[Row]] = defaultdict(list)
    for row in rows:
        values = row.values
        if None not in (values["record"], values["side"], values["captured_at"]):
            grooves[values["record"], values["side"], values["copy"]].append(row)
    return grooves


def _moment(row: Row) -> tuple[str, int]:
    """Sort by the clock time as written, date alone first, then by the order in the sheet."""
    return row.values["captured_at"].replace(" ", "T"), row.number


def _hours(row: Row) -> float:
    hours: float = row.values["stylus_hours"]
    return hours


def _later(most: Row | None, row: Row) -> Row:
    return row if most is None or _hours(row) >= _hours(most) else most


def _backwards(row: Row, earlier: Row, stylus: str, name: str) -> Fault:
    problem = (
        f"{_hours(row):g} h on {stylus} is less than the {_hours(earlier):g} h of the earlier "
        f"capture in row {earlier.number}"
    )
    remedy = (
        "Hours only grow: correct one of the two, or a date; a replaced stylus needs its own id."
    )
    return Fault(name, f"row {row.number}, stylus_hours", problem, remedy)
