"""The test records: one YAML file each, and the calibration sheets that they name."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.sheets import Row, duplicates, read_sheet
from grooveledger.configuration.suggestions import listed, suggestion
from grooveledger.configuration.validation import Problem, checked, shown
from grooveledger.configuration.yaml_files import Key, read_yaml
from grooveledger.faults import Fault

#: A stated duration may differ from the sum of the steps by this part of it.
STEPS_TOLERANCE = 0.05

Sides = dict[tuple[str, str], dict[str, Any]]


def read_records(
    directory: Path, records_dir: str, faults: list[Fault]
) -> tuple[Sides, dict[str, set[str]] | None]:
    """Read every record of a folder.

    Returns
    -------
    dict
        A mapping for `plan.Side.from_mapping` by record and side.
    dict or None
        The sides' ids of each record that has a file (of one that can't be read, an empty set);
        None where there is no folder.
    """
    folder = directory / records_dir
    if not folder.is_dir():
        remedy = "Make the folder, or mend records_dir in the configuration."
        faults.append(Fault(records_dir, "", "is no folder", remedy))
        return {}, None
    sides: Sides = {}
    known: dict[str, set[str]] = {}
    for path in sorted(folder.iterdir()):
        name = f"{records_dir.rstrip('/')}/{path.name}"
        if path.name.startswith("."):
            continue
        if path.suffix == ".yml":
            faults.append(Fault(name, "", "ends in .yml", "Rename it so that it ends in .yaml."))
        if path.suffix != ".yaml":
            continue
        found = _read_record(path, name, directory, faults)
        known[path.stem] = set(found)
        sides.update(
            ((path.stem, side), mapping) for side, mapping in found.items() if mapping is not None
        )
    return sides, known


def _read_record(
    path: Path, name: str, directory: Path, faults: list[Fault]
) -> dict[str, dict[str, Any] | None]:
    """Return the record's sides by id, None for one that can't be read."""
    document = read_yaml(path, name, faults)
    if document is None:
        return {}
    problems: list[Problem] = []
    record = checked(document.value, schema("record"), problems)
    if record is not None:
        told = {problem.path for problem in problems}
        more = _name_problems(record, path)
        for side, mapping in (record.get("sides") or {}).items():
            more += _side_problems(mapping, ("sides", side))
        problems += [problem for problem in more if problem.path not in told]
    faults += document.faults(name, problems)
    if record is None or not record.get("sides"):
        return {}
    calibration = _read_calibration(record, directory, bool(problems), faults)
    return {
        side: mapping
        and {
            "record": path.stem,
            "side": side,
            "rpm": record.get("rpm"),
            "gap_s": mapping["gap_s"],
            "response_tolerance_db": record.get("response_tolerance_db"),
            "tracks": mapping.get("tracks"),
            "calibration": calibration.get(side, []),
        }
        for side, mapping in record["sides"].items()
    }


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
    return problems


def _track_faults(track: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """What a track's schema can't say: key, problem and remedy."""
    found = []
    kind = track.get("kind")
    if kind == "tone" and track.get("purpose") in (None, "level") and not track["velocity_cm_s"]:
        remedy = "Give the velocity on the record's sleeve, or a purpose that needs none (speed)."
        found.append(("velocity_cm_s", "is missing on a tone that gives the level", remedy))
    if kind == "sweep" and track.get("start_hz") and track.get("start_hz") == track.get("stop_hz"):
        found.append(("stop_hz", "is the same as start_hz", "A steady tone has kind: tone."))
    pair = track.get("frequencies_hz")
    if kind == "two_tone" and pair and None not in pair and pair[0] >= pair[1]:
        found.append(("frequencies_hz", f"{shown(pair)} falls", "Give the low one first."))
    steps = track.get("frequencies_hz") or track.get("amplitudes_um") or ()
    if kind in ("tone_steps", "amplitude_steps") and steps and track.get("step_s"):
        planned_s = len(steps) * track["step_s"]
        stated_s = track.get("duration_s") or planned_s
        if abs(stated_s - planned_s) > STEPS_TOLERANCE * planned_s:
            problem = f"{stated_s:g} s is not {len(steps)} steps of {track['step_s']:g} s"
            found.append(("duration_s", problem, "Mend one of them, or leave duration_s out."))
    return found


def _read_calibration(
    record: Mapping[str, Any], directory: Path, record_faulty: bool, faults: list[Fault]
) -> dict[str, list[list[float]]]:
    """Rows of track, frequency and recorded level by side, sorted.

    Which sides and tracks there are is only told of a record without faults of its own.
    """
    name = record.get("calibration")
    if name is None:
        return {}
    rows = read_sheet(directory / name, name, "calibration", faults)
    if rows is None or record_faulty:
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


def _on_record(row: Row, numbers: Mapping[str, list[int]], name: str, faults: list[Fault]) -> bool:
    side, track = row.values["side"], row.values["track"]
    if side is not None and side not in numbers:
        problem = f"{shown(side)} is no side of the record"
        remedy = suggestion(side, numbers, "sides")
        faults.append(Fault(name, f"row {row.number}, side", problem, remedy))
        return False
    if side is not None and track is not None and track not in numbers[side]:
        problem = f"side {side} has no track {track}"
        remedy = f"Its tracks: {listed(map(str, numbers[side]))}."
        faults.append(Fault(name, f"row {row.number}, track", problem, remedy))
        return False
    return side is not None
