"""A strict YAML reader: plain values only, every key once, the line of each kept.

The scalars are those of YAML 1.2's core schema (YAML 1.2.2, section 10.3), so that `no`, `1:30`
and `010` are not turned into something else. Anchors, aliases and tags, which a configuration does
not need and by which a small file grows without bound, are refused.
"""

import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import yaml

from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.text_files import read_text
from grooveledger.configuration.validation import Problem
from grooveledger.faults import Fault

SIZE_MAX_BYTES = 2_000_000
DEPTH_MAX = 20

_WORDS: dict[str, bool | None] = {
    "": None, "~": None, "null": None, "Null": None, "NULL": None,
    "true": True, "True": True, "TRUE": True,
    "false": False, "False": False, "FALSE": False,
}  # fmt: skip
_WHOLE = re.compile(r"[-+]?[0-9]{1,18}")
_REAL = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")
_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

Key = tuple[str | int, ...]


class Document(NamedTuple):
    """A YAML file's value, and the line of each of its keys and entries by their path."""

    value: Any
    lines: dict[Key, int]

    def place(self, path: Key) -> str:
        """Return where a path lies: its line, then the keys that lead to it."""
        known = path
        while known and known not in self.lines:
            known = known[:-1]
        keys = spelled(path)
        line = self.lines.get(known)
        return ", ".join(part for part in (f"line {line}" if line else "", keys) if part)

    def faults(self, name: str, problems: Iterable[Problem]) -> list[Fault]:
        """Return the problems of the document's value as faults of the file called `name`."""
        return [
            Fault(name, self.place(problem.path), problem.problem, problem.remedy)
            for problem in problems
        ]


class _Refused(Exception):
    """Something that the reader does not take, with its line."""

    def __init__(self, line: int, problem: str, remedy: str) -> None:
        self.line, self.problem, self.remedy = line, problem, remedy


def spelled(path: Key) -> str:
    """Spell a path as a person reads it, such as ``sides.a.tracks entry 3, kind``."""
    words = [f" entry {key + 1}," if isinstance(key, int) else f".{key}" for key in path]
    return "".join(words).replace(",.", ", ").strip(".,")


def read_yaml(path: Path, name: str, faults: Faults) -> Document | None:
    """Read a YAML file; None where it can't be read at all (the faults say why)."""
    text = read_text(path, name, faults, SIZE_MAX_BYTES)
    return None if text is None else parse_yaml(text, name, faults)


def parse_yaml(text: str, name: str, faults: Faults) -> Document | None:
    """Make a document of a YAML text; keys given twice are faults, but do not stop it."""
    lines: dict[Key, int] = {}
    try:
        value = _Builder(yaml.parse(text, Loader=_LOADER), name, lines, faults).document()
    except _Refused as refused:
        faults.add(name, f"line {refused.line}", refused.problem, refused.remedy)
        return None
    except yaml.MarkedYAMLError as error:
        mark: Any = error.problem_mark or error.context_mark
        place = f"line {mark.line + 1}, column {mark.column + 1}" if mark else ""
        problem = " ".join(str(part) for part in (error.problem, error.context) if part)
        remedy = "Mind the indentation (spaces, no tabs), colons, quotes and brackets around there."
        faults.add(name, place, f"is not valid YAML: {problem}", remedy)
        return None
    except yaml.YAMLError as error:
        problem = f"is not valid YAML: {' '.join(str(error).split())}"
        faults.add(name, "", problem, "Remove characters that do not belong in text.")
        return None
    return Document(value, lines)


class _Builder:
    """Build plain values from the parser's events."""

    def __init__(
        self, events: Iterator[Any], name: str, lines: dict[Key, int], faults: Faults
    ) -> None:
        self._events, self._name, self._lines, self._faults = events, name, lines, faults

    def document(self) -> Any:
        for event in self._events:
            if not isinstance(event, (yaml.StreamStartEvent, yaml.DocumentStartEvent)):
                break
        else:
            return None
        if isinstance(event, yaml.StreamEndEvent):
            return None
        value = self._value(event, ())
        for event in self._events:
            if isinstance(event, yaml.DocumentStartEvent):
                raise _refused(event, "holds a second document", "Keep one: remove the '---'.")
        return value

    def _value(self, event: Any, path: Key) -> Any:
        if isinstance(event, yaml.AliasEvent) or event.anchor is not None:
            problem = (
                f"'{'*' if isinstance(event, yaml.AliasEvent) else '&'}{event.anchor}' is used"
            )
            raise _refused(event, problem, "Aliases and anchors are not taken: write values out.")
        if event.tag is not None and event.tag != "!":
            raise _refused(event, f"the tag '{event.tag}' is used", "Write the plain value.")
        if len(path) > DEPTH_MAX:
            raise _refused(event, "is nested too deeply", "No key lies that deep.")
        self._lines.setdefault(path, _line(event))
        if isinstance(event, yaml.ScalarEvent):
            return _scalar(event.value) if event.implicit[0] else event.value
        if isinstance(event, yaml.SequenceStartEvent):
            return self._sequence(path)
        return self._mapping(path)

    def _sequence(self, path: Key) -> list[Any]:
        values: list[Any] = []
        for event in self._events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            values.append(self._value(event, (*path, len(values))))
        return values

    def _mapping(self, path: Key) -> dict[str, Any]:
        values: dict[str, Any] = {}
        for event in self._events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            if not isinstance(event, yaml.ScalarEvent):
                raise _refused(event, "has a key that is no plain word", "Quote it, or correct it.")
            key = event.value
            place = (*path, key)
            line = _line(event)
            if key in values:
                problem = f"is given twice, first in line {self._lines[place]}"
                where = f"line {line}, {spelled(place)}"
                self._faults.add(self._name, where, problem, "Remove one of the two.")
            else:
                self._lines[place] = line
            values[key] = self._value(next(self._events), place)
        return values


def _refused(event: Any, problem: str, remedy: str) -> _Refused:
    return _Refused(_line(event), problem, remedy)


def _line(event: Any) -> int:
    line: int = event.start_mark.line
    return line + 1


def _scalar(text: str) -> Any:
    if text in _WORDS:
        return _WORDS[text]
    if _WHOLE.fullmatch(text):
        return int(text)
    if _REAL.fullmatch(text):
        return float(text)
    if _NOT_FINITE.fullmatch(text):
        return float(text.replace(".", ""))
    return text
