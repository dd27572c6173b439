"""Templates of a new archive's configuration, made of the schemas so that both say the same."""

import json
import os
import re
import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.validation import taken, types
from grooveledger.faults import ConfigurationFaults, Fault

WIDTH = 96
#: The sheets: key in config.yaml, file, and schema of a row.
SHEETS = (
    ("captures", "captures.tsv", "captures"),
    ("styli", "styli.tsv", "styli"),
    ("playing_log", "playing_log.tsv", "playing_log"),
)
#: Ids that the templates use; a person changes them, and the record file's name with its id.
CARTRIDGE, CHAIN, RECORD, SIDE = "my-cartridge", "my-chain", "my-record", "a"
_HOW_TO = (
    "Fill in what is blank. A key behind a # has the value shown there, or none where it says "
    "'for example', until you take the # away."
)
#: Text that needs no quotation marks in YAML, whichever version of it.
_PLAIN = re.compile(r"[A-Za-z_/][A-Za-z0-9_./-]*")
_NOT_PLAIN = frozenset({"null", "true", "false", "yes", "no", "on", "off", "y", "n"})


def start(folder: Path, captures_dir: Path) -> list[Path]:
    """Write the templates of a new archive into a folder that has none of them.

    Parameters
    ----------
    folder : Path
        Where the configuration goes, and the results below it.
    captures_dir : Path
        Folder of the recordings.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    ConfigurationFaults
        One of the files is there already; none is written then.
    """
    folder, captures_dir = (Path(os.path.abspath(path)) for path in (folder, captures_dir))
    content = {folder / name: text for name, text in templates(folder, captures_dir).items()}
    faults = [
        Fault(str(path), "", "is there already", "Choose another folder, or move it away.")
        for path in content
        if path.exists()
    ]
    if faults:
        raise ConfigurationFaults(faults)
    for path, text in content.items():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return list(content)


def templates(folder: Path, captures_dir: Path) -> dict[str, str]:
    """Return the text of every file of a new archive, by its name in the folder."""
    things = {
        f"{name}.yaml": _lines(schema(name), _things(schema(name), thing))
        for name, thing in (("cartridges", CARTRIDGE), ("chains", CHAIN))
    }
    return {
        "config.yaml": _lines(schema("config"), _config(folder, captures_dir)),
        **{name: _sheet(schema(schema_name)) for _, name, schema_name in SHEETS},
        **things,
        f"records/{RECORD}.yaml": _lines(schema("record"), _record()),
    }


def _config(folder: Path, captures_dir: Path) -> list[str]:
    paths = {
        "captures_dir": captures_dir,
        "cartridges": folder / "cartridges.yaml",
        "chains": folder / "chains.yaml",
        "records_dir": folder / "records",
        "results": folder / "results",
        **{key: folder / name for key, name, _ in SHEETS},
    }
    lines = []
    for key, child in schema("config")["properties"].items():
        if key in paths:
            lines += ["", *_comment(child["description"]), f"{key}: {flow(str(paths[key]))}"]
        elif child.get("properties") != {}:
            lines += ["", *_key(key, child)]
    return lines


def _things(things: Mapping[str, Any], name: str) -> list[str]:
    properties = things["additionalProperties"]["properties"]
    return [f"{name}:", *_indented([line for item in properties.items() for line in _key(*item)])]


def _record() -> list[str]:
    lines = []
    for key, child in schema("record")["properties"].items():
        if key == "record":
            lines += [*_comment(child["description"]), f"record: {RECORD}"]
        elif key == "sides":
            side = _side(child["additionalProperties"]["properties"])
            lines += [*_comment(child["description"]), "sides:", f"  {SIDE}:", *_indented(side, 4)]
        else:
            lines += _key(key, child)
    return lines


def _side(properties: Mapping[str, Any]) -> list[str]:
    tracks = properties["tracks"]
    kinds = tracks["items"]["oneOf"]
    general: dict[str, Mapping[str, Any]] = {}
    for kind in kinds:
        for key, child in kind["properties"].items():
            general.setdefault(key, child)
    lines = [line for key in ("rpm", "gap_s") for line in _key(key, properties[key])]
    lines += _comment(tracks["description"])
    lines += _comment("The keys of a track:")
    for key, child in general.items():
        if key != "kind":
            text = child["description"] if key == "purpose" else explained(child)
            lines += _comment(f"{key}: {text}", 2)
    lines += ["tracks:", *_comment("The kinds of tracks, each with an example to start from:")]
    for kind in kinds:
        keys = kind["properties"]
        lines += _comment(f"{keys['kind']['const']}: {kind['description']}", 2)
        if "purpose" in keys:
            lines += _comment(f"purpose: {taken(keys['purpose'])}.", 4)
        for key, child in keys.items():
            if key not in ("kind", "purpose") and child != general[key]:
                lines += _comment(f"{key}: {explained(child)}", 4)
        lines.append(f"#  - {flow(_example(kind))}")
    return lines


def _example(kind: Mapping[str, Any]) -> dict[str, Any]:
    """Return the keys that a kind of track needs or should have, with values."""
    lasts = "step_s" if "step_s" in kind["properties"] else "duration_s"
    needed = {*kind["required"], "velocity_cm_s", "amplitudes_um", lasts}
    return {
        key: child["const"] if "const" in child else child["examples"][0]
        for key, child in kind["properties"].items()
        if key in needed
    }


def _sheet(row: Mapping[str, Any]) -> str:
    lines = _comment(f"{row['description']} Columns are separated by tabs.")
    for column, child in row["properties"].items():
        lines += _comment(f"{column}: {explained(child)}")
    return "\n".join([*lines, "\t".join(row["properties"])]) + "\n"


def _key(key: str, node: Mapping[str, Any]) -> list[str]:
    """Return the lines of a key; one with a default is behind a #."""
    if "properties" in node:
        children = [line for item in node["properties"].items() for line in _key(*item)]
        return [*_comment(node.get("description", "")), f"{key}:", *_indented(children)]
    lines = _comment(explained(node))
    if "default" not in node:
        return [*lines, f"{key}:"]
    value = node["default"]
    shown = value if value is not None else node.get("examples", [None])[0]
    return [*lines, f"#{key}: {flow(shown)}"]


def explained(node: Mapping[str, Any]) -> str:
    """Return a key's description, what it takes, and an example where it has no default."""
    words = [node["description"]]
    options = [option for option in node.get("enum", ()) if option is not None]
    named = all(str(option) in node["description"] for option in options)
    if not named or {"number", "integer", "array"}.intersection(types(node)):
        words.append(f"Takes {taken(node)}.")
    if "examples" in node and not options and node.get("default") in (None, []):
        example = node["examples"][0]
        words.append(f"For example {example if isinstance(example, str) else flow(example)}.")
    return " ".join(words)


def flow(value: Any) -> str:
    """Return a value as YAML in one line."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key}: {flow(entry)}" for key, entry in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(flow(entry) for entry in value) + "]"
    if isinstance(value, str) and _PLAIN.fullmatch(value) and value.lower() not in _NOT_PLAIN:
        return value
    return json.dumps(value, ensure_ascii=False)


def _lines(document: Mapping[str, Any], lines: list[str]) -> str:
    return "\n".join([*_comment(document["description"]), *_comment(_HOW_TO), *lines]) + "\n"


def _indented(lines: list[str], spaces: int = 2) -> list[str]:
    return [" " * spaces + line for line in lines]


def _comment(text: str, indent: int = 0) -> list[str]:
    """Return comment lines, the second and further ones hanging where they are indented."""
    first = "# " + " " * indent
    hanging = first + ("  " if indent else "")
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=hanging,
        break_long_words=False,
        break_on_hyphens=False,
    )
