"""Deliberately broken configurations: every fault is told, in these words, and nothing else."""

from pathlib import Path

import pytest
import yaml

import make_configuration as good
from grooveledger.configuration import load
from grooveledger.faults import ConfigurationFaults

CASES = [
    pytest.param(case, id=f"{path.stem}: {case['about']}")
    for path in sorted((Path(__file__).parents[2] / "broken_configurations").glob("*.yaml"))
    for case in yaml.safe_load(path.read_text())
]


def broken(case, folder):
    """Write the broken configuration; return its config."""
    files = good.files()
    for edit in case.get("edits", ()):
        old = edit.get("from")
        if old is None:
            files[edit["file"]] = edit["whole"]
        else:
            assert old in files[edit["file"]], f"{edit} changes nothing"
            files[edit["file"]] = files[edit["file"]].replace(old, edit["to"], 1)
    good.write(folder, files)
    config = {**good.config(), **case.get("set", {})}
    return {key: value for key, value in config.items() if key not in case.get("remove", ())}


@pytest.mark.parametrize("case", CASES)
def test_every_fault_is_told(case, tmp_path):
    config = broken(case, tmp_path)
    with pytest.raises(ConfigurationFaults) as raised:
        load(config, tmp_path)
    told = [str(fault).replace(str(tmp_path), "FOLDER") for fault in raised.value.faults]
    assert told == case["faults"]


def test_faults_of_all_files_come_in_one_pass(tmp_path):
    replaced = {
        "config/captures.tsv": ("2024-01-10", "10.1.2024"),
        "config/styli.tsv": ("mm-one", "mm-two"),
        "config/playing_log.tsv": ("3.5", "3,5"),
        "config/cartridges.yaml": ("principle", "princple"),
        "config/chains.yaml": ("iec98", "iec99"),
        "config/records/bench-a.yaml": ("rpm: 33.3333", "rpm: -1"),
        "config/records/bench-a-calibration.tsv": ("0.4", "40"),
        "config/response.tsv": ("-0.3", "-300"),
    }
    files = good.files()
    changed = {name: files[name].replace(old, new, 1) for name, (old, new) in replaced.items()}
    good.write(tmp_path, changed)
    with pytest.raises(ConfigurationFaults) as raised:
        load({**good.config(), "mains_hz": 55}, tmp_path, "my.yaml")
    assert {fault.file for fault in raised.value.faults} == {"my.yaml", *replaced}
    assert all(fault.problem and fault.remedy for fault in raised.value.faults)


def test_all_files_missing_is_told_file_by_file(tmp_path):
    with pytest.raises(ConfigurationFaults) as raised:
        load(good.config(), tmp_path)
    assert len(raised.value.faults) == 6
