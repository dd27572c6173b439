"""The configuration's schemas: JSON Schema (draft 2020-12), kept as YAML in workflow/schemas."""

from functools import cache
from pathlib import Path
from typing import Any

from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.yaml_files import read_yaml

SCHEMAS = Path(__file__).resolve().parents[3] / "workflow" / "schemas"


@cache
def schema(name: str) -> dict[str, Any]:
    """Return a schema by its file's name, such as ``config``, with every reference written out."""
    document = _document(SCHEMAS / f"{name}.yaml")
    expanded: dict[str, Any] = _expanded(document, document)
    expanded.pop("$defs", None)
    return expanded


def describe_settings() -> list[tuple[str, Any, str]]:
    """List every setting of config.yaml: its dotted key, its default and what it means."""
    return list(_described(schema("config"), ()))


def _described(node: dict[str, Any], path: tuple[str, ...]) -> Any:
    for key, child in node["properties"].items():
        if child.get("properties"):
            yield from _described(child, (*path, key))
        elif "description" in child:
            yield ".".join((*path, key)), child.get("default"), child["description"]


def _document(path: Path) -> dict[str, Any]:
    faults = Faults()
    document = read_yaml(path, path.name, faults)
    faults.stop_if_any()
    assert document is not None
    value: dict[str, Any] = document.value
    return value


def _expanded(node: Any, root: dict[str, Any]) -> Any:
    """Write references out: to the file's own definitions (#/$defs/x) or to another whole file."""
    if isinstance(node, list):
        return [_expanded(entry, root) for entry in node]
    if not isinstance(node, dict):
        return node
    own = {key: _expanded(value, root) for key, value in node.items() if key != "$ref"}
    reference = node.get("$ref")
    if reference is None:
        return own
    if reference.startswith("#/$defs/"):
        target, home = root["$defs"][reference.removeprefix("#/$defs/")], root
    else:
        target = home = _document(SCHEMAS / reference)
    return {**_expanded(target, home), **own}
