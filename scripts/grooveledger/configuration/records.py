"""The test records: one YAML file each, and the calibration sheets that they name."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.sheets import Row, duplicates, read_sheet
from grooveledger.configuration.suggestions import listed, suggestion
from grooveledger.configuration.validation import Problem, checked, shown
from grooveledger.configuration.yaml_files import Key, read_yaml

#: A stated duration may differ from the sum of the steps by this part of it: as far as either may
#: be from what was cut.
STEPS_TOLERANCE = 0.1
#: Where a track goes on from another, its start may differ from the other's end by this part.
CONTINUES_TOLERANCE = 0.06


class Records(NamedTuple):
    """What a folder of descriptions holds.

    Attributes
    ----------
    sides : dict
        A mapping for `plan.Side.from_mapping` by record and side.
    copies : dict
        By record and copy, the keys of such a mapping that a copy has of its own, by side.
    named : dict
        Ids of the sides of each record that has a file, empty where it can't be read.
    """

    sides: dict[tuple[str, str], dict[str, Any]]
    copies: dict[tuple[str, str], dict[str, dict[str, Any]]]
    named: dict[str, set[str]]

    def copies_of(self, record: str) -> list[str]:
        """Return the ids of the copies that a record's description names."""
        return [copy for name, copy in self.copies if name == record]


def read_records(directory: Path, records_dir: str, faults: Faults) -> Records | None:
    """Read every record of a folder; None where there is no folder."""
    folder = directory / records_dir
    if not folder.is_dir():
        remedy = "Make the folder, or correct records_dir in the configuration."
        faults.add(records_dir, "", "is no folder", remedy)
        return None
    records = Records({}, {}, {})
    for path in sorted(folder.iterdir()):
        name = f"{records_dir.rstrip('/')}/{path.name}"
        if path.name.startswith("."):
            continue
        if path.suffix == ".yml":
            faults.add(name, "", "ends in .yml", "Rename it so that it ends in .yaml.")
        if path.suffix == ".yaml":
            _read_record(path, name, directory, records, faults)
    return records


def _read_record(path: Path, name: str, directory: Path, records: Records, faults: Faults) -> None:
    """Add a record to those read."""
    records.named[path.stem] = set()
    document = read_yaml(path, name, faults)
    if document is None:
        return
    record, problems = checked(document.value, schema("record"))
    if record is not None:
        reported = {problem.path for problem in problems}
        more = _name_problems(record, path)
        for side, mapping in (record.get("sides") or {}).items():
            more += _side_problems(mapping, ("sides", side))
        problems += [problem for problem in more if problem.path not in reported]
    faults.extend(document.faults(name, problems))
    if record is None or not record.get("sides"):
        return
    records.named[path.stem] = set(record["sides"])
    readable = not problems
    sheet = record.get("calibration")
    calibration = _read_calibration(record, sheet, directory, readable, faults)
    for side, mapping in record["sides"].items():
        if mapping is not None:
            records.sides[path.stem, side] = {
                "record": path.stem,
                "side": side,
                "rpm": mapping.get("rpm") or record.get("rpm"),
                "gap_s": mapping["gap_s"],
                "response_tolerance_db": record.get("response_tolerance_db"),
                "vertical_angle_deg": record.get("vertical_angle_deg"),
                "tracks": mapping.get("tracks"),
                "calibration": calibration.get(side, []),
            }
    for copy, mapping in (record.get("copies") or {}).items():
        own: dict[str, dict[str, Any]] = {side: {} for side in record["sides"]}
        if (sheet := (mapping or {}).get("calibration")) is not None:
            rows = _read_calibration(record, sheet, directory, readable, faults)
            for side, keys in own.items():
                keys["calibration"] = rows.get(side, [])
        if (tolerance_db := (mapping or {}).get("response_tolerance_db")) is not None:
            for keys in own.values():
                keys["response_tolerance_db"] = tolerance_db
        records.copies[path.stem, copy] = own


def _name_problems(record: Mapping[str, Any], path: Path) -> list[Problem]:
    named = record.get("record")
    if named is None or named == path.stem:
        return []
    problem = f"{shown(named)} is not the file's name"
    return [Problem(("record",), problem, f"Write '{path.stem}', or rename the file.")]


def _side_problems(side: Mapping[str, Any] | None, path: Key) -> list[Problem]:
    problems: list[Problem] = []
    places: dict[int, int] = {}
    for place, track in enumerate((side or {}).get("tracks") or ()):
        if track is None:
            continue
        where = (*path, "tracks", place)
        number = track.get("track")
        if number is not None:
            first = places.setdefault(number, place)
            if first != place:
                problem = f"{number} is the number of entry {first + 1} already"
                problems.append(Problem((*where, "track"), problem, "Number each track once."))
        problems += [
            Problem((*where, key), problem, remedy) for key, problem, remedy in _track_faults(track)
        ]
        if track.get("continues") is not None:
            earlier = [one for one in (side or {})["tracks"][:place] if one is not None]
            problems += [
                Problem((*where, "continues"), problem, remedy)
                for problem, remedy in _continues_faults(track, earlier)
            ]
    return problems


def _continues_faults(
    track: Mapping[str, Any], earlier: Sequence[Mapping[str, Any]]
) -> Iterator[tuple[str, str]]:
    """Report what is wrong with the track that another one goes on from."""
    number = track["continues"]
    before = next((one for one in earlier if one.get("track") == number), None)
    if before is None:
        yield f"{number} is no earlier track of the side", "Give the number of the first part."
        return
    for key in ("kind", "modulation", "recorded", "frequency_hz"):
        if before.get(key) != track.get(key):
            yield (
                f"track {number} has another {key} ({before.get(key)})",
                "Only parts of one test continue one another: correct one of them.",
            )
            return
    stop_hz, start_hz = before.get("stop_hz"), track.get("start_hz")
    if stop_hz and start_hz and abs(start_hz / stop_hz - 1.0) > CONTINUES_TOLERANCE:
        yield (
            f"track {number} ends at {stop_hz:g} Hz, this one starts at {start_hz:g} Hz",
            "Parts of one sweep meet at one frequency: correct one of them.",
        )


def _track_faults(track: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Return what a track's schema can't express: key, problem and remedy."""
    faults = []
    kind = track.get("kind")
    levels = (None, "level", "response")
    if kind == "tone" and track.get("purpose") in levels and not track["velocity_cm_s"]:
        remedy = "Give the velocity on the record's sleeve, or a purpose that needs none (speed)."
        faults.append(("velocity_cm_s", "is missing on a tone that gives a level", remedy))
    if kind == "sweep" and track.get("start_hz") and track.get("start_hz") == track.get("stop_hz"):
        faults.append(("stop_hz", "is the same as start_hz", "A steady tone has kind: tone."))
    pair = track.get("frequencies_hz")
    if kind == "two_tone" and pair and None not in pair and pair[0] >= pair[1]:
        faults.append(("frequencies_hz", f"{shown(pair)} falls", "Give the low one first."))
    if kind == "amplitude_steps":
        faults += _amplitude_faults(track)
    steps = next(
        (track[key] for key in ("frequencies_hz", "amplitudes_um", "velocities_cm_s")
         if track.get(key)), ()
    )  # fmt: skip
    if kind in ("tone_steps", "amplitude_steps") and steps and track.get("step_s"):
        planned_s = len(steps) * track["step_s"]
        stated_s = track.get("duration_s") or planned_s
        if abs(stated_s - planned_s) > STEPS_TOLERANCE * planned_s:
            problem = f"{stated_s:g} s is not {len(steps)} steps of {track['step_s']:g} s"
            faults.append(("duration_s", problem, "Correct one of them, or leave duration_s out."))
    if track.get("pilot_s") is not None and track.get("pilot_hz") is None:
        faults.append(
            ("pilot_hz", "is missing beside pilot_s", "Give the pilot's frequency in Hz.")
        )
    return faults


def _amplitude_faults(track: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    stated = [key for key in ("amplitudes_um", "velocities_cm_s") if track.get(key)]
    if len(stated) == 2:
        remedy = "State the steps once, by either of the two."
        return [("velocities_cm_s", "stands beside amplitudes_um", remedy)]
    if not stated:
        remedy = "Give the steps' amplitudes_um, or their velocities_cm_s."
        return [("amplitudes_um", "is missing", remedy)]
    return []


def _read_calibration(
    record: Mapping[str, Any],
    name: str | None,
    directory: Path,
    readable: bool,
    faults: Faults,
) -> dict[str, list[list[float]]]:
    """Return rows of track, frequency and recorded level by side, sorted.

    Sides and tracks are compared with a record only that is `readable`, without faults of its own.
    """
    if name is None:
        return {}
    rows = read_sheet(directory / name, name, "calibration", faults)
    if rows is None or not readable:
        return {}
    duplicates(rows, ("side", "track", "frequency_hz"), name, faults)
    numbers = {
        side: [track["track"] for track in mapping["tracks"]]
        for side, mapping in record["sides"].items()
    }
    calibration: dict[str, list[list[float]]] = {side: [] for side in numbers}
    for row in rows:
        if _on_record(row, numbers, name, faults) and None not in row.values.values():
            values = row.values
            calibration[values["side"]].append(
                [values["track"], values["frequency_hz"], values["recorded_db"]]
            )
    return {side: sorted(entries) for side, entries in calibration.items()}


def _on_record(row: Row, numbers: Mapping[str, list[int]], name: str, faults: Faults) -> bool:
    side, track = row.values["side"], row.values["track"]
    if side is not None and side not in numbers:
        problem = f"{shown(side)} is no side of the record"
        remedy = suggestion(side, numbers, "sides")
        faults.add(name, f"row {row.number}, side", problem, remedy)
        return False
    if side is not None and track is not None and track not in numbers[side]:
        problem = f"side {side} has no track {track}"
        remedy = f"Its tracks: {listed(map(str, numbers[side]))}."
        faults.add(name, f"row {row.number}, track", problem, remedy)
        return False
    return side is not None
