"""The whole configuration of an archive, checked across its files."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from grooveledger.configuration import captures as captures_sheet
from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.filename_patterns import pattern_problems
from grooveledger.configuration.instruments import Things, read_cartridges, read_chains
from grooveledger.configuration.records import Records, read_records
from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.sheets import Row, duplicates, read_sheet
from grooveledger.configuration.validation import checked
from grooveledger.configuration.yaml_files import read_yaml, spelled
from grooveledger.faults import Fault


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
    records : Records
        The described sides and copies of the test records.
    """

    settings: dict[str, Any]
    captures: tuple[dict[str, Any], ...]
    styli: Things
    cartridges: Things
    chains: Things
    records: Records

    @property
    def sides(self) -> dict[tuple[str, str], dict[str, Any]]:
        """Mappings for `plan.Side.from_mapping` by record and side, whichever copy is played."""
        return self.records.sides

    def side_of(self, capture: Mapping[str, Any]) -> dict[str, Any]:
        """Return the mapping for `plan.Side.from_mapping` of the copy that a capture played."""
        record, side, copy = capture["record"], capture["side"], capture["copy"]
        own = self.records.copies[record, copy][side] if copy is not None else {}
        return {**self.sides[record, side], **own}


def load(
    config: Mapping[str, Any],
    directory: str | Path,
    config_file: str = "config.yaml",
    with_captures: bool = True,
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
    with_captures : bool
        False leaves the captures' sheet unread, and `Archive.captures` empty.

    Raises
    ------
    ConfigurationFaults
        With every fault of every file.
    """
    faults = Faults()
    directory = Path(directory)
    settings = _checked_settings(config, config_file, faults)
    cartridges = chains = records = None
    if name := settings.get("cartridges"):
        cartridges = read_cartridges(directory / name, name, faults)
    if name := settings.get("chains"):
        chains = read_chains(directory / name, name, directory, faults)
    if name := settings.get("records_dir"):
        records = read_records(directory, name, faults)
    styli = _read_styli(settings, directory, cartridges, faults)
    log = _read_log(settings, directory, styli, faults)
    rows: list[Row] = []
    if with_captures and (name := settings.get("captures")):
        rows = read_sheet(directory / name, name, "captures", faults) or []
        captures_sheet.check_references(rows, styli, chains, records, name, faults)
        captures_sheet.check_files(rows, name, faults)
        captures_sheet.fill_hours(rows, styli or {}, log, name, faults)
        captures_sheet.check_hours_run_forward(rows, name, faults)
        captures_sheet.check_plays_run_forward(rows, name, faults)
        captures_sheet.fill_record_plays(rows)
    faults.stop_if_any()
    # What could not be read is a fault, so everything was.
    assert styli is not None
    assert cartridges is not None
    assert chains is not None
    assert records is not None
    joined = tuple(
        {**row.values, "cartridge": styli[row.values["stylus"]]["cartridge"]} for row in rows
    )
    return Archive(settings, joined, styli, cartridges, chains, records)


def load_what_there_is(
    config: Mapping[str, Any], directory: Path, config_file: str
) -> tuple[Archive, Faults]:
    """Read an archive that is not filled in yet, without its captures.

    Returns
    -------
    Archive
        What can be read; records only where their files have no faults.
    Faults
        What is still to be filled in or corrected.

    Raises
    ------
    ConfigurationFaults
        config.yaml itself has faults.
    """
    faults = Faults()
    settings = _checked_settings(config, config_file, faults)
    faults.stop_if_any()
    cartridges = read_cartridges(directory / settings["cartridges"], settings["cartridges"], faults)
    chains = read_chains(directory / settings["chains"], settings["chains"], directory, faults)
    sound = len(faults)
    records = read_records(directory, settings["records_dir"], faults)
    if records is None or len(faults) > sound:
        records = Records({}, {}, {})
    styli = {
        stylus: values
        for stylus, values in (_read_styli(settings, directory, cartridges, faults) or {}).items()
        if values["fitted_on"] is not None
    }
    return Archive(settings, (), styli, cartridges or {}, chains or {}, records), faults


def _checked_settings(
    config: Mapping[str, Any], config_file: str, faults: Faults
) -> dict[str, Any]:
    settings, problems = checked(config, schema("config"))
    settings = settings or {}
    problems += pattern_problems((settings.get("register") or {}).get("patterns") or ())
    faults.extend(
        Fault(config_file, spelled(problem.path), problem.problem, problem.remedy)
        for problem in problems
    )
    return dict(settings)


def read_config(path: Path) -> dict[str, Any]:
    """Read config.yaml itself, as the programs beside the workflow do.

    Raises
    ------
    ConfigurationFaults
        The file is not there, is no YAML, or has a key twice.
    """
    faults = Faults()
    document = read_yaml(path, str(path), faults)
    if document is not None and not isinstance(document.value, dict):
        faults.add(str(path), "", "holds no keys", "See what the program start writes.")
    faults.stop_if_any()
    assert document is not None
    config: dict[str, Any] = document.value
    return config


def _read_styli(
    settings: Mapping[str, Any], directory: Path, cartridges: Things | None, faults: Faults
) -> Things | None:
    name = settings.get("styli")
    if name is None:
        return None
    rows = read_sheet(directory / name, name, "styli", faults)
    if rows is None:
        return None
    duplicates(rows, ("stylus",), name, faults)
    captures_sheet.check_reference(rows, "cartridge", cartridges, name, faults)
    break_in_hours = (settings.get("drift") or {}).get("break_in_hours")
    styli: Things = {}
    for number, values in rows:
        if values["break_in_hours"] is None:
            values["break_in_hours"] = break_in_hours
        fitted_on, retired_on = values["fitted_on"], values["retired_on"]
        if fitted_on is not None and retired_on is not None and retired_on < fitted_on:
            problem = f"is before it was fitted ({fitted_on})"
            faults.add(name, f"row {number}, retired_on", problem, "Correct one of the two dates.")
        if values["stylus"] is not None:
            styli.setdefault(values["stylus"], values)
    return styli


def _read_log(
    settings: Mapping[str, Any], directory: Path, styli: Things | None, faults: Faults
) -> captures_sheet.PlayingLog | None:
    name = settings.get("playing_log")
    if name is None:
        return None
    rows = read_sheet(directory / name, name, "playing_log", faults) or []
    captures_sheet.check_reference(rows, "stylus", styli, name, faults)
    return captures_sheet.PlayingLog(rows)
