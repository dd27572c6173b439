"""The configuration that results were made with, kept beside them, and what of it has changed."""

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from grooveledger.configuration.archive import Archive
from grooveledger.storage.atomic_write import written_whole

#: The file among the results.
NAME = "configuration.json"
#: Keys of config.yaml that say where files lie; what they hold is compared, not where.
PLACES = frozenset(
    ("captures_dir", "captures", "styli", "cartridges", "chains", "records_dir", "playing_log")
) | {"results"}
MISSING = "not there"


class Difference(NamedTuple):
    """A value of the configuration that changed: its place, and it before and after."""

    name: str
    before: str
    after: str


def described(archive: Archive) -> dict[str, Any]:
    """Return an archive's checked configuration as one mapping, defaults filled in."""
    records: dict[str, dict[str, Any]] = {}
    for (record, side), mapping in archive.sides.items():
        records.setdefault(record, {})[side] = mapping
    return {
        "config": {key: value for key, value in archive.settings.items() if key not in PLACES},
        "chains": archive.chains,
        "cartridges": archive.cartridges,
        "records": records,
        "styli": archive.styli,
        "captures": {row["capture"]: row for row in archive.captures},
    }


def keep(archive: Archive, results: Path) -> None:
    """Write the configuration beside the results that are made with it."""
    text = json.dumps(described(archive), indent=1, sort_keys=True, default=str)
    with written_whole(results / NAME) as scratch:
        scratch.write_text(text, encoding="utf-8")


def differences(before: Path, after: Path) -> list[Difference] | None:
    """Compare the configurations of two results folders; None where one has kept none.

    Captures that only one of them has are named once, not by every cell.
    """
    files = (before / NAME, after / NAME)
    if not all(file.is_file() for file in files):
        return None
    old, new = (json.loads(file.read_text(encoding="utf-8")) for file in files)
    return list(_differences("", old, new))


def _differences(name: str, old: Any, new: Any) -> Iterator[Difference]:
    if isinstance(old, list) and isinstance(new, list):
        old, new = (
            {str(place): value for place, value in enumerate(values, start=1)}
            for values in (old, new)
        )
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        for key in dict.fromkeys([*old, *new]):
            inner = f"{name}.{key}" if name else key
            yield from _differences(inner, old.get(key, _Nothing), new.get(key, _Nothing))
    elif old != new:
        yield Difference(name, _said(old), _said(new))


class _Nothing:
    """Stands for a key that is not there: null is a value of its own."""


def _said(value: Any) -> str:
    if value is _Nothing:
        return MISSING
    if isinstance(value, (Mapping, list)):
        return "there"
    return "blank" if value is None else str(value)
