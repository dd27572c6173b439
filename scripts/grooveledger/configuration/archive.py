"""The whole configuration of an archive, checked across its files."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from grooveledger.configuration import captures as captures_sheet
from grooveledger.configuration.instruments import Things, read_cartridges, read_chains
from grooveledger.configuration.records import Sides, read_records
from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.sheets import Row, duplicates, read_sheet
from grooveledger.configuration.suggestions import suggestion
from grooveledger.configuration.validation import Problem, checked, shown
from grooveledger.configuration.yaml_files import spelled
from grooveledger.faults import ConfigurationFaults, Fault


@dataclass(frozen=True)
class Archive:
    """An archive's checked configuration, in builtins only.

    Attributes
    ----------
    settings : dict
        config.yaml with every default filled in.
    captures : tuple of dict
        The captures' sheet in its own order, typed; stylus_hours and record_plays filled in, and
        the stylus's `cartridge` added. What is blank is None.
    styli : dict
        The styli's sheet by id, break_in_hours filled in.
    cartridges, chains : dict
        Mappings for `plan.Cartridge.from_mapping` and `plan.Chain.from_mapping` by id.
    sides : dict
        Mappings for `plan.Side.from_mapping` by record and side.
    """

    settings: dict[str, Any]
    captures: tuple[dict[str, Any], ...]
    styli: Things
    cartridges: Things
    chains: Things
    sides: Sides


def load(
    config: Mapping[str, Any], directory: str | Path, config_file: str = "config.yaml"
) -> Archive:
    """Read and check the whole configuration of an archive.

    Parameters
    ----------
    config : mapping
        The content of config.yaml.
    directory : str or Path
        What relative paths count from.
    config_file : str
        What the person calls config.yaml, for the faults.

    Raises
    ------
    ConfigurationFaults
        With every fault of every file.
    """
    faults: list[Fault] = []
    directory = Path(directory)
    problems: list[Problem] = []
    settings = checked(config, schema("config"), problems) or {}
    faults += [
        Fault(config_file, spelled(problem.path), problem.problem, problem.remedy)
        for problem in problems
    ]

    def sheet(key: str, schema_name: str) -> list[Row] | None:
        name = settings.get(key)
        return name and read_sheet(directory / name, name, schema_name, faults)

    cartridges = chains = None
    if name := settings.get("cartridges"):
        cartridges = read_cartridges(directory / name, name, faults)
    if name := settings.get("chains"):
        chains = read_chains(directory / name, name, directory, faults)
    sides: Sides = {}
    known_sides = None
    if name := settings.get("records_dir"):
        sides, known_sides = read_records(directory, name, faults)

    styli_rows = sheet("styli", "styli")
    styli = None
    if styli_rows is not None:
        duplicates(styli_rows, ("stylus",), settings["styli"], faults)
        captures_sheet.check_reference(
            styli_rows, "cartridge", cartridges, settings["styli"], faults
        )
        styli = _styli(styli_rows, settings)
    log_rows = sheet("playing_log", "playing_log")
    if log_rows is not None:
        name = settings["playing_log"]
        captures_sheet.check_reference(log_rows, "stylus", styli, name, faults)
    rows = sheet("captures", "captures")
    if rows is not None:
        name = settings["captures"]
        duplicates(rows, ("capture",), name, faults)
        duplicates(rows, ("file",), name, faults)
        captures_sheet.check_files(rows, name, faults)
        captures_sheet.check_reference(rows, "stylus", styli, name, faults)
        captures_sheet.check_reference(rows, "chain", chains, name, faults)
        captures_sheet.check_reference(rows, "record", known_sides, name, faults)
        _check_sides(rows, known_sides, name, faults)
        has_log = settings.get("playing_log") is not None
        log = captures_sheet.PlayingLog(log_rows or ()) if has_log else None
        captures_sheet.fill_hours(rows, styli or {}, log, name, faults)
        captures_sheet.check_hours_run_forward(rows, name, faults)
        captures_sheet.fill_record_plays(rows)
    if faults:
        raise ConfigurationFaults(_in_order(faults))
    joined = tuple(
        {**row.values, "cartridge": (styli or {})[row.values["stylus"]]["cartridge"]}
        for row in rows or ()
    )
    return Archive(settings, joined, styli or {}, cartridges or {}, chains or {}, sides)


def _in_order(faults: list[Fault]) -> list[Fault]:
    """File by file in the order of reading, each from top to bottom."""
    files = list(dict.fromkeys(fault.file for fault in faults))

    def key(fault: Fault) -> tuple[int, int]:
        number = re.match(r"(?:row|line) (\d+)", fault.place)
        return files.index(fault.file), int(number[1]) if number else 0

    return sorted(faults, key=key)


def _styli(rows: list[Row], settings: Mapping[str, Any]) -> Things:
    break_in_hours = (settings.get("drift") or {}).get("break_in_hours")
    styli: Things = {}
    for _, values in rows:
        if values["break_in_hours"] is None:
            values["break_in_hours"] = break_in_hours
        if values["stylus"] is not None:
            styli.setdefault(values["stylus"], values)
    return styli


def _check_sides(
    rows: list[Row], known: Mapping[str, set[str]] | None, name: str, faults: list[Fault]
) -> None:
    for number, values in rows:
        record, side = values["record"], values["side"]
        options = (known or {}).get(record)
        if side is not None and options and side not in options:
            problem = f"record '{record}' has no side {shown(side)}"
            remedy = suggestion(side, sorted(options), "sides")
            faults.append(Fault(name, f"row {number}, side", problem, remedy))
