"""Add new recordings to the captures' sheet: rows are appended, nothing typed is changed."""

import csv
import datetime
import io
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any, NamedTuple

from grooveledger.capture.recording_facts import Recording, find_recordings, read_recording
from grooveledger.configuration import Archive, read_config
from grooveledger.configuration.archive import load_what_there_is
from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.filename_patterns import FilenamePattern, day_in, read_name
from grooveledger.configuration.notes import Notes
from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.sheets import day, sheet_cells
from grooveledger.configuration.suggestions import suggestion
from grooveledger.configuration.text_files import read_text
from grooveledger.faults import CaptureFault, ConfigurationFaults, Fault
from grooveledger.plan import Side
from grooveledger.segment.job import most_likely_sides
from grooveledger.storage.atomic_write import written_whole

_NO_ID = re.compile(r"[^A-Za-z0-9._-]+")
_ID_MAX = 100
#: Columns that a run can't do without.
_REQUIRED = tuple(schema("captures")["required"])
_SHOWN = ("captured_at", "stylus", "record", "side", "chain", "stylus_hours", "temperature_c")
#: Sorts after every date.
_UNDATED = "~"


@dataclass(frozen=True)
class Sheet:
    """The captures' sheet as it lies on the disk."""

    path: Path
    text: str
    header: list[str]
    files: frozenset[str]
    captures: frozenset[str]


@dataclass
class Entry:
    """A new row, and what a person should know of it."""

    cells: dict[str, str]
    facts: str
    remarks: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        cells = [f"{column} {self.cells[column]}" for column in _SHOWN if self.cells.get(column)]
        lines = [f"{self.cells['file']} ({self.facts}): {', '.join(cells)}"]
        if self.missing:
            lines.append(f"    could not fill in {', '.join(self.missing)}")
        return "\n".join([*lines, *(f"    {remark}" for remark in self.remarks)])

    @property
    def missing(self) -> list[str]:
        """Required columns that could not be filled in."""
        return [column for column in _REQUIRED if not self.cells.get(column)]


class Registered(NamedTuple):
    """What was done.

    Attributes
    ----------
    path : Path
        The captures' sheet.
    entries : list of Entry
        The rows for it, by date.
    left_out : list of str
        Files that can't be read.
    hints : list of str
        Where more could be taken from.
    faults : list of Fault
        What keeps the rows from being written: what is still to be filled in elsewhere, and notes
        that belong to no recording.
    """

    path: Path
    entries: list[Entry]
    left_out: list[str]
    hints: list[str]
    faults: list[Fault]


def register(
    config_file: Path,
    directory: Path,
    report: Callable[[str], None],
    listen: bool = True,
    write: bool = True,
    notes: Notes | None = None,
) -> Registered:
    """Append a row for each recording under captures_dir that the sheet does not name yet.

    Parameters
    ----------
    config_file : Path
        The archive's config.yaml.
    directory : Path
        What relative paths count from.
    report : callable
        Takes each line that a person should see, as it comes.
    listen : bool
        Whether to decode each recording and say which side it most likely holds.
    write : bool
        Whether to append the rows; the sheet is written once, whole. Nothing is written while the
        configuration has faults: the rows are shown alone.
    notes : Notes, optional
        The person's own notes, which come before what can be read from name and sound.

    Raises
    ------
    ConfigurationFaults
        config.yaml has faults, or there is no folder of captures.
    """
    archive, faults = load_what_there_is(read_config(config_file), directory, str(config_file))
    captures_dir = directory / archive.settings["captures_dir"]
    sheet = read_captures_sheet(directory, archive.settings["captures"])
    if not captures_dir.is_dir():
        remedy = "Make it, or correct captures_dir."
        raise ConfigurationFaults(
            [Fault(archive.settings["captures_dir"], "", "is no folder", remedy)]
        )
    taken = {capture.casefold() for capture in sheet.captures}
    namer = _Namer(archive)
    entries: list[Entry] = []
    left_out = []
    for file in find_recordings(captures_dir):
        if _same(file) in sheet.files:
            continue
        try:
            recording = read_recording(captures_dir / file)
            likely = namer.likely_sides(captures_dir / file) if listen else None
        except CaptureFault as fault:
            reason = str(fault).replace(f"{PurePosixPath(file).name} ", "it ", 1)
            report(f"{file} is left out: {reason}")
            left_out.append(file)
            continue
        noted: dict[str, str] = {}
        if notes is not None:
            noted = notes.take(file, day_in(file) or recording.tagged_at or recording.changed_at)
        entry = namer.entry(file, recording, likely, noted)
        entry.cells["capture"] = _unique(entry.cells.get("capture") or _id_of(file), taken)
        entries.append(entry)
        report(str(entry))
    entries.sort(key=lambda entry: entry.cells.get("captured_at") or _UNDATED)
    for column in sorted({name for entry in entries for name in entry.cells} - set(sheet.header)):
        report(f"The sheet has no column {column}: the values for it are not kept.")
    if notes is not None:
        faults.extend(notes.left())
    if entries and write and not faults:
        write_whole(sheet.path, appended(sheet, entries))
    hints = _hints(entries, archive.settings)
    return Registered(sheet.path, entries, left_out, hints, faults.in_order())


def read_captures_sheet(directory: Path, name: str) -> Sheet:
    """Read header, files and captures of the sheet, whatever else its rows lack."""
    path = directory / name
    columns = list(schema("captures")["properties"])
    if not path.exists():
        return Sheet(path, "\t".join(columns) + "\n", columns, frozenset(), frozenset())
    faults = Faults()
    text = read_text(path, name, faults)
    rows = None if text is None else sheet_cells(text, name, faults)
    faults.stop_if_any()
    assert text is not None
    if not rows:
        return Sheet(path, text + "\t".join(columns) + "\n", columns, frozenset(), frozenset())
    header = rows[0][1]
    for column in ("capture", "file"):
        if column not in header:
            faults.add(name, "header", f"has no column {column}", "Add it.")
    faults.stop_if_any()
    cells = [dict(zip(header, row, strict=False)) for _, row in rows[1:]]
    return Sheet(
        path,
        text,
        header,
        frozenset(_same(row["file"]) for row in cells if row.get("file")),
        frozenset(row["capture"] for row in cells if row.get("capture")),
    )


def appended(sheet: Sheet, entries: Iterable[Entry]) -> str:
    """Return the sheet's text with the rows at its end, in its own line ends."""
    ending = "\r\n" if "\r\n" in sheet.text else "\n"
    rows = io.StringIO()
    writer = csv.writer(rows, delimiter="\t", lineterminator=ending)
    writer.writerows([entry.cells.get(column, "") for column in sheet.header] for entry in entries)
    gap = "" if sheet.text.endswith(("\n", "\r")) else ending
    return sheet.text + gap + rows.getvalue()


def write_whole(path: Path, text: str) -> None:
    """Put a text in a file's place, whole or not at all; a byte-order mark stays."""
    marked = path.exists() and path.read_bytes().startswith(b"\xef\xbb\xbf")
    with written_whole(path) as scratch:
        scratch.write_bytes(text.encode("utf-8-sig" if marked else "utf-8"))
        if path.exists():
            scratch.chmod(path.stat().st_mode)


class _Namer:
    """Fills in a recording's cells: by its name, then its sound, then the configuration."""

    def __init__(self, archive: Archive) -> None:
        self._settings = archive.settings
        self._in_use = {
            stylus: (
                day(values["fitted_on"]),
                day(values["retired_on"]) if values["retired_on"] else datetime.date.max,
            )
            for stylus, values in archive.styli.items()
        }
        self._sides = {key: Side.from_mapping(side) for key, side in archive.sides.items()}
        records: dict[str, list[str]] = {}
        for record, side in archive.sides:
            records.setdefault(record, []).append(side)
        self._known = {
            "stylus": list(archive.styli),
            "record": list(records),
            "side": sorted({side for sides in records.values() for side in sides}),
            "chain": list(archive.chains),
        }
        patterns = archive.settings["register"]["patterns"]
        self._patterns = [FilenamePattern(pattern, self._known) for pattern in patterns]

    def likely_sides(self, path: Path) -> list[tuple[str, str]]:
        """Record and side that a recording most likely holds: several where they fit alike."""
        sides = {f"{record} {side}": view for (record, side), view in self._sides.items()}
        names = dict(zip(sides, self._sides, strict=True))
        return [names[likely] for likely in most_likely_sides(path, sides)]

    def entry(
        self,
        file: str,
        recording: Recording,
        likely: list[tuple[str, str]] | None,
        noted: Mapping[str, str],
    ) -> Entry:
        """Return the row of a recording; what a person noted comes first."""
        cells, unknown = read_name(self._patterns, file)
        cells |= {"file": file, **noted}
        facts = (
            f"{recording.encoding}, {recording.sample_rate_hz / 1000:g} kHz, "
            f"{recording.duration_s:.0f} s"
        )
        entry = Entry(cells, facts)
        if self._patterns and len(cells) == 1 + len(noted):
            entry.remarks.append("its name fits no pattern")
        for column, word in unknown:
            remedy = suggestion(word, self._known[column], f"ids of {column}")
            entry.remarks.append(f"'{word}' in its name is no known {column}. {remedy}")
        self._date(entry, file, recording)
        self._side(entry, likely, recording.duration_s)
        for column, value in self._settings["register"]["cells"].items():
            if value is not None:
                cells.setdefault(column, f"{value:g}" if isinstance(value, float) else value)
        for column, ids in self._known.items():
            if len(ids) == 1:
                cells.setdefault(column, ids[0])
        self._stylus(entry)
        return entry

    def _date(self, entry: Entry, file: str, recording: Recording) -> None:
        if "captured_at" in entry.cells:
            return
        known = day_in(file) or recording.tagged_at
        if known is not None:
            entry.cells["captured_at"] = known
        elif self._settings["register"]["date_from_file_time"]:
            entry.cells["captured_at"] = recording.changed_at
            entry.remarks.append("captured_at is the time of the file's last change: check it")
        else:
            entry.remarks.append(f"the file was last changed at {recording.changed_at}")

    def _stylus(self, entry: Entry) -> None:
        if "stylus" in entry.cells or "captured_at" not in entry.cells:
            return
        captured_on = day(entry.cells["captured_at"])
        fitted = [stylus for stylus, (on, to) in self._in_use.items() if on <= captured_on <= to]
        if len(fitted) == 1:
            entry.cells["stylus"] = fitted[0]
            entry.remarks.append(f"{fitted[0]} is the only stylus that was in use then")

    def _side(self, entry: Entry, likely: list[tuple[str, str]] | None, duration_s: float) -> None:
        cells = entry.cells
        if likely is None:
            return
        if not likely:
            entry.remarks.append("it sounds like none of the sides described")
            if duration_s < min(map(_playing_time_s, self._sides.values()), default=0.0):
                entry.remarks.append("it is shorter than each of them: was it cut short?")
            return
        sounds = " or ".join(" ".join(names) for names in likely)
        typed = {key: cells[key] for key in ("record", "side") if key in cells}
        fitting = [
            names
            for names in likely
            if typed.items() <= dict(zip(("record", "side"), names, strict=True)).items()
        ]
        if not fitting:
            said = " ".join(f"{key} {name}" for key, name in typed.items())
            entry.remarks.append(f"its name says {said}, but it sounds like {sounds}")
            return
        for place, key in enumerate(("record", "side")):
            options = {names[place] for names in fitting}
            if len(options) == 1:
                cells.setdefault(key, options.pop())
        if len(fitting) > 1:
            entry.remarks.append(f"it sounds like {sounds}, which fit it equally well")


def summary(registered: Registered, written: bool = True) -> list[str]:
    """Return closing sentences: what was done, and what is still to do."""
    path, entries, left_out, hints, faults = registered
    written = written and not faults
    missing = Counter(column for entry in entries for column in entry.missing)
    lines = []
    if entries:
        verb = "appended to" if written else "would be appended to"
        lines.append(f"{len(entries)} row{'s' if len(entries) > 1 else ''} {verb} {path}.")
    else:
        lines.append("Nothing new: every recording that can be read is in the sheet.")
    lines += [f"Still to fill in: {column} ({missing[column]})." for column in sorted(missing)]
    lines += hints
    if faults:
        lines.append("Nothing is appended before this is filled in or corrected:")
        lines += [f"    {fault}" for fault in faults]
    if left_out:
        lines.append(f"Left out, since they can't be read: {', '.join(left_out)}.")
    if entries and written:
        lines.append(
            "Rows stay as they are from now on. To have them made again, after a change of "
            "register.patterns, delete them first; --dry-run shows rows without writing them. What "
            "is not to be measured at all: move the file out of captures_dir, and delete its row."
        )
    return lines


def _hints(entries: Iterable[Entry], settings: Mapping[str, Any]) -> list[str]:
    missing = {column for entry in entries for column in entry.missing}
    taking = settings["register"]
    hints = []
    if missing - {"captured_at"} and not taking["patterns"]:
        hints.append(
            "State in config.yaml how your files are named (register.patterns): that fills in more."
        )
    if "captured_at" in missing and not taking["date_from_file_time"]:
        hints.append(
            "Where a file's last change was the recording itself, register.date_from_file_time: "
            "true in config.yaml takes its time."
        )
    if settings["playing_log"] is None and not all(e.cells.get("stylus_hours") for e in entries):
        hints.append("Hours are blank, and there is no playing log: give one of the two.")
    return hints


def _playing_time_s(side: Side) -> float:
    """Return the least time from a side's first track's start to its last's end, as described."""
    return sum(track.duration_s or 0.0 for track in side.tracks) + (side.gap_s or 0.0) * (
        len(side.tracks) - 1
    )


def _same(file: str) -> str:
    """Return a path in the one form in which paths are compared.

    Accents may be written in two ways.
    """
    return unicodedata.normalize("NFC", str(PurePosixPath(file)))


def _id_of(file: str) -> str:
    """Make an id of a file's name."""
    stem = PurePosixPath(file).stem
    plain = unicodedata.normalize("NFKD", stem).encode("ascii", "ignore").decode()
    return _NO_ID.sub("-", plain).strip("._-")[:_ID_MAX] or "capture"


def _unique(wanted: str, taken: set[str]) -> str:
    """Make an id that no other capture has, capitals aside, and take it."""
    name, number = wanted, 1
    while name.casefold() in taken:
        number += 1
        name = f"{wanted[: _ID_MAX - 6]}-{number}"
    taken.add(name.casefold())
    return name
