"""Templates of a new archive: in step with the schemas, and good once filled in."""

import re
from pathlib import Path

import pytest
import yaml

from grooveledger.configuration import load, read_config
from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.start import RECORD, start, templates
from grooveledger.faults import ConfigurationFaults

ROOT = Path(__file__).parents[3]
#: Keys that name a sheet; the templates' examples of them are no files.
SHEETS = ("calibration", "response")


def leaves(node):
    """Keys and schemas of everything that a person can set."""
    for key, child in node.get("properties", {}).items():
        if "properties" in child:
            yield from leaves(child)
        else:
            yield key, child
    if isinstance(node.get("additionalProperties"), dict):
        yield from leaves(node["additionalProperties"])


def filled(text, node):
    """Fill in what a template leaves blank, and take away every # before a key or a track."""
    examples = {key: child["examples"][0] for key, child in leaves(node) if "examples" in child}
    lines = []
    for line in text.splitlines():
        found = re.fullmatch(r"( *)(#?)(\w+):(.*)", line)
        if found and found[2] and found[3] in SHEETS:
            continue
        if found and not found[2] and not found[4] and found[3] in examples:
            line = f"{found[1]}{found[3]}: {yaml.safe_dump(examples[found[3]]).splitlines()[0]}"
        elif found:
            line = f"{found[1]}{found[3]}:{found[4]}"
        lines.append(re.sub(r"^( *)#(  - \{.*\})$", r"\1\2", line))
    return "\n".join(lines) + "\n"


def numbered(text):
    """Give the tracks of a record their own numbers."""
    tracks = iter(range(1, 100))
    return re.sub(r"track: 1,", lambda found: f"track: {next(tracks)},", text)


@pytest.fixture
def folder(tmp_path):
    start(tmp_path / "my archive: 1", tmp_path / "captures")
    return tmp_path / "my archive: 1"


def test_what_is_blank_is_asked_for_and_nothing_else(folder):
    with pytest.raises(ConfigurationFaults) as raised:
        load(read_config(folder / "config.yaml"), folder)
    assert {fault.problem for fault in raised.value.faults} == {"is empty"}
    things = [schema(name)["additionalProperties"] for name in ("cartridges", "chains")]
    wanted = [key for thing in things for key, child in leaves(thing) if "default" not in child]
    assert len(raised.value.faults) == len([*wanted, "rpm", "tracks"])


def test_the_examples_filled_in_make_a_sound_configuration(folder):
    for name in ("cartridges", "chains"):
        path = folder / f"{name}.yaml"
        path.write_text(filled(path.read_text(), schema(name)["additionalProperties"]))
    record = folder / "records" / f"{RECORD}.yaml"
    record.write_text(numbered(filled(record.read_text(), schema("record"))))
    config = folder / "config.yaml"
    plain = load(read_config(config), "/")
    config.write_text(filled(config.read_text(), {"properties": {}}))
    archive = load(read_config(config), "/")
    tracks = archive.sides[RECORD, "a"]["tracks"]
    assert [track["kind"] for track in tracks] == [
        "tone", "sweep", "tone_steps", "amplitude_steps", "two_tone", "noise",
        "silent_groove", "other"
    ]  # fmt: skip
    assert archive.cartridges["my-cartridge"]["rated"]["load_pf"] == [150.0, 300.0]
    # The defaults shown are the defaults taken.
    assert {**archive.settings, "register": None} == {**plain.settings, "register": None}


@pytest.mark.parametrize("name", ["config", "cartridges", "chains"])
def test_every_key_is_explained_once(name, tmp_path):
    text = templates(tmp_path, tmp_path)[f"{name}.yaml"]
    node = schema(name).get("additionalProperties")
    keys = [key for key, _ in leaves(node if isinstance(node, dict) else schema(name))]
    found = re.findall(r"^ *#?(\w+):", text, re.MULTILINE)
    for key in set(keys):
        assert found.count(key) == keys.count(key), key


def test_every_key_of_a_track_is_explained():
    text = templates(Path(), Path())[f"records/{RECORD}.yaml"]
    side = schema("record")["properties"]["sides"]["additionalProperties"]
    for kind in side["properties"]["tracks"]["items"]["oneOf"]:
        for key in set(kind["properties"]) - {"kind"}:
            assert len(re.findall(rf"^    #   {key}: ", text, re.MULTILINE)) == 1, key


@pytest.mark.parametrize("name", ["captures", "styli", "playing_log"])
def test_every_column_is_explained_once(name):
    lines = templates(Path(), Path())[f"{name}.tsv"].splitlines()
    columns = list(schema(name)["properties"])
    assert lines[-1].split("\t") == columns
    for column in columns:
        assert sum(line.startswith(f"# {column}: ") for line in lines) == 1


def test_nothing_is_written_over(folder, tmp_path):
    (folder / "styli.tsv").write_text("mine")
    (folder / "chains.yaml").unlink()
    with pytest.raises(ConfigurationFaults, match="is there already"):
        start(folder, tmp_path)
    assert (folder / "styli.tsv").read_text() == "mine"
    assert not (folder / "chains.yaml").exists()


def test_the_demo_s_configuration_is_sound_and_shows_every_key_of_the_top():
    archive = load(read_config(ROOT / "config" / "config.yaml"), ROOT)
    assert archive.captures
    text = (ROOT / "config" / "config.yaml").read_text(encoding="utf-8")
    for key, child in schema("config")["properties"].items():
        if "properties" not in child:
            assert re.search(rf"^{key}:", text, re.MULTILINE), key
