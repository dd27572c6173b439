"""The cartridges and the chains: a YAML file each, and the response sheets that chains name."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.sheets import duplicates, read_sheet
from grooveledger.configuration.validation import Problem, checked, shown
from grooveledger.configuration.yaml_files import read_yaml

#: A response relative to 1 kHz is 0 dB there; measured points beside 1 kHz leave this much room.
REFERENCE_TOLERANCE_DB = 0.1
REFERENCE_HZ = 1000.0

Things = dict[str, dict[str, Any]]


def read_cartridges(path: Path, name: str, faults: Faults) -> Things | None:
    """Read mappings for `plan.Cartridge.from_mapping` by id; None where the file can't be read."""
    return _read_things(path, name, "cartridge", faults)


def read_chains(path: Path, name: str, directory: Path, faults: Faults) -> Things | None:
    """Read mappings for `plan.Chain.from_mapping` by id; None where the file can't be read.

    The preamplifiers' responses are written out as rows of frequency in Hz and gain in dB.
    """
    chains = _read_things(path, name, "chain", faults)
    for chain in (chains or {}).values():
        preamplifier = chain.get("preamplifier")
        if preamplifier is not None:
            response = preamplifier["response"]
            preamplifier["response"] = response and _read_response(directory, response, faults)
    return chains


def _read_things(path: Path, name: str, kind: str, faults: Faults) -> Things | None:
    document = read_yaml(path, name, faults)
    if document is None:
        return None
    value = document.value if document.value is not None else {}
    things, problems = checked(value, schema(f"{kind}s"))
    if kind == "cartridge":
        reported = {problem.path for problem in problems}
        for cartridge, mapping in (things or {}).items():
            more = _rating_problems(cartridge, (mapping or {}).get("rated") or {})
            problems += [problem for problem in more if problem.path not in reported]
    faults.extend(document.faults(name, problems))
    if things is None:
        return None
    return {key: {kind: key, **(mapping or {})} for key, mapping in things.items()}


def _rating_problems(cartridge: str, rated: Mapping[str, Any]) -> list[Problem]:
    problems = []
    path = (cartridge, "rated")
    if rated.get("output_mv") is not None and rated.get("output_velocity_cm_s") is None:
        remedy = "Give the velocity in cm/s that the sheet rates the output at."
        problems.append(
            Problem((*path, "output_velocity_cm_s"), "is missing beside output_mv", remedy)
        )
    for key in ("response_hz", "load_pf"):
        pair = rated.get(key)
        if pair and None not in pair and pair[0] > pair[1]:
            problems.append(Problem((*path, key), f"{shown(pair)} falls", "Give the lower first."))
    return problems


def _read_response(directory: Path, name: str, faults: Faults) -> list[list[float]]:
    rows = read_sheet(directory / name, name, "preamplifier_response", faults)
    if rows is None:
        return []
    duplicates(rows, ("frequency_hz",), name, faults)
    response = sorted(
        [values["frequency_hz"], values["gain_db_re_1khz"]]
        for _, values in rows
        if None not in values.values()
    )
    reference_db = [gain_db for frequency_hz, gain_db in response if frequency_hz == REFERENCE_HZ]
    if len(rows) < 2:
        faults.add(name, "", "has fewer than two rows", "Give two frequencies at least.")
    elif reference_db and abs(reference_db[0]) > REFERENCE_TOLERANCE_DB:
        problem = f"is {reference_db[0]:g} dB at 1 kHz"
        remedy = f"Gain is relative to that at 1 kHz: subtract {reference_db[0]:g} throughout."
        faults.add(name, "gain_db_re_1khz", problem, remedy)
    return response
