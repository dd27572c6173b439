"""Check a value against a schema: all problems in one pass, defaults filled in, plain numbers.

What is understood is the part of JSON Schema (draft 2020-12) that the project's schemas use; any
other keyword is a mistake of ours and raises. A general validator costs a tenth of a second of
imports at each start, fills in no defaults and words its findings for programmers.
"""

import copy
import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from grooveledger.configuration.suggestions import near_miss, suggestion

Path = tuple[str | int, ...]
Schema = Mapping[str, Any]


class Problem(NamedTuple):
    """What is wrong at a path, and what would be right."""

    path: Path
    problem: str
    remedy: str


#: Replaces a value that is wrong; later checks skip it.
WRONG = None

_UNDERSTOOD = frozenset(
    {"$schema", "$defs", "title", "description", "examples", "default", "type", "enum", "const"}
    | {"pattern", "minLength", "maxLength"}
    | {"minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum"}
    | {"properties", "required", "additionalProperties", "propertyNames", "minProperties"}
    | {"items", "minItems", "maxItems", "uniqueItems", "oneOf"}
)
_LONGEST_SHOWN = 60


class Checked(NamedTuple):
    """A value in plain builtins, defaults filled in and None for what is wrong; its problems."""

    value: Any
    problems: list[Problem]


def checked(value: Any, schema: Schema) -> Checked:
    """Check a value against a schema.

    Parameters
    ----------
    value : object
        Mappings, sequences and scalars as a YAML reader gives them.
    schema : mapping
        The schema, references written out.

    Notes
    -----
    A ``number`` becomes a float, so that 4 and 4.0 are the same setting. Among the branches of a
    ``oneOf`` the value's own `kind` decides. A key left empty takes its default, as one left out.
    """
    problems: list[Problem] = []
    return Checked(_checked(value, schema, problems, ()), problems)


def _checked(value: Any, schema: Schema, problems: list[Problem], path: Path) -> Any:
    if not _UNDERSTOOD.issuperset(schema):
        raise ValueError(f"schema of {path}: {sorted(set(schema) - _UNDERSTOOD)} not understood")
    if "oneOf" in schema:
        return _checked_kind(value, schema, problems, path)
    names = types(schema)
    if value is None:
        if "null" not in names:
            problems.append(Problem(path, "is empty", give(schema)))
        return None
    for name in names:
        check = _CHECKS[name]
        checked = check(value, schema, problems, path)
        if checked is not _OTHER_TYPE:
            return checked
    problems.append(Problem(path, f"{shown(value)} is {_described_type(value)}", give(schema)))
    return WRONG


def give(schema: Schema) -> str:
    """Return a remedy: what the schema takes, and what that means."""
    description = schema.get("description", "")
    wanted = taken(schema)
    return description if wanted == "text" else f"Give {wanted}. {description}".strip()


def shown(value: Any) -> str:
    """Return a value as a person typed it, cut where it is long."""
    if isinstance(value, float):
        text = f"{value:.12g}"
    elif isinstance(value, list):
        text = f"[{', '.join(shown(entry) for entry in value)}]"
    else:
        text = f"'{value}'" if isinstance(value, str) else str(value)
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "..."


_OTHER_TYPE = object()


def types(schema: Schema) -> Sequence[str]:
    """Return the names of the types that a schema takes."""
    names: str | Sequence[str] = schema["type"]
    return (names,) if isinstance(names, str) else names


def _checked_kind(value: Any, schema: Schema, problems: list[Problem], path: Path) -> Any:
    branches = {branch["properties"]["kind"]["const"]: branch for branch in schema["oneOf"]}
    if not isinstance(value, Mapping):
        problems.append(Problem(path, f"{shown(value)} is no block of keys", "Give one with kind."))
        return WRONG
    kind = value.get("kind")
    if not isinstance(kind, str) or kind not in branches:
        problem = "is missing" if kind is None else f"{shown(kind)} is no known kind"
        remedy = suggestion(str(kind), branches, "kinds")
        problems.append(Problem((*path, "kind"), problem, remedy))
        return WRONG
    return _checked(value, branches[kind], problems, path)


def _checked_object(value: Any, schema: Schema, problems: list[Problem], path: Path) -> Any:
    if not isinstance(value, Mapping):
        return _OTHER_TYPE
    values = {str(key): entry for key, entry in value.items()}
    properties: Mapping[str, Schema] = schema.get("properties", {})
    others = schema.get("additionalProperties", True)
    if len(values) < schema.get("minProperties", 0):
        problems.append(Problem(path, "holds nothing", give(schema)))
    meant: set[str] = set()
    result: dict[str, Any] = {}
    for key, entry in values.items():
        if key in properties:
            continue
        if others is False:
            free = [name for name in properties if name not in values]
            remedy = suggestion(key, properties, "keys")
            problems.append(Problem((*path, key), "is an unknown key", remedy))
            meant.add(near_miss(key, free) or "")
        else:
            _check_name(key, schema, problems, path)
            result[key] = _checked(entry, others, problems, (*path, key))
    for key, child in properties.items():
        if key in values and not (values[key] is None and "default" in child):
            result[key] = _checked(values[key], child, problems, (*path, key))
        elif "default" in child:
            result[key] = _filled(child, path, key)
        elif key in schema.get("required", ()) and key not in meant:
            problems.append(Problem((*path, key), "is missing", give(child)))
    return result


def _filled(schema: Schema, path: Path, key: str) -> Any:
    """Return a default, itself filled in; one that its own schema refuses is a mistake of ours."""
    problems: list[Problem] = []
    default = _checked(copy.deepcopy(schema["default"]), schema, problems, (*path, key))
    if problems:
        raise ValueError(f"default of {(*path, key)}: {problems}")
    return default


def _check_name(key: str, schema: Schema, problems: list[Problem], path: Path) -> None:
    names = schema.get("propertyNames")
    if names is not None:
        _check_text(key, names, problems, (*path, key))


def _checked_array(value: Any, schema: Schema, problems: list[Problem], path: Path) -> Any:
    if isinstance(value, str) or not isinstance(value, Sequence):
        return _OTHER_TYPE
    least, most = schema.get("minItems", 0), schema.get("maxItems", math.inf)
    if not least <= len(value) <= most:
        problems.append(Problem(path, f"has {len(value)} entries", give(schema)))
        return WRONG
    entries = [
        _checked(entry, schema["items"], problems, (*path, place))
        for place, entry in enumerate(value)
    ]
    if schema.get("uniqueItems") and any(entry in entries[:i] for i, entry in enumerate(entries)):
        problems.append(Problem(path, f"{shown(entries)} names one twice", give(schema)))
    return entries


def _checked_string(value: Any, schema: Schema, problems: list[Problem], path: Path) -> Any:
    if not isinstance(value, str):
        return _OTHER_TYPE
    return value if _check_text(value, schema, problems, path) else WRONG


def _check_text(value: str, schema: Schema, problems: list[Problem], path: Path) -> bool:
    options = _options(schema)
    if options and value not in options:
        similar = near_miss(value, [option for option in options if isinstance(option, str)])
        remedy = f"Did you mean '{similar}'?" if similar else give(schema)
        problems.append(Problem(path, f"{shown(value)} is not known here", remedy))
        return False
    if not schema.get("minLength", 0) <= len(value) <= schema.get("maxLength", math.inf):
        problem = "is empty" if not value else f"{shown(value)} has {len(value)} characters"
        problems.append(Problem(path, problem, give(schema)))
        return False
    if "pattern" in schema and not re.search(schema["pattern"], value):
        problems.append(Problem(path, f"{shown(value)} is not of the right form", give(schema)))
        return False
    if any(ord(letter) < ord(" ") and letter not in "\t\n" for letter in value):
        problems.append(Problem(path, "holds a control character", "Type it again."))
        return False
    return True


def _checked_boolean(value: Any, schema: Schema, problems: list[Problem], path: Path) -> Any:
    return value if isinstance(value, bool) else _OTHER_TYPE


def _checked_number(value: Any, schema: Schema, problems: list[Problem], path: Path) -> Any:
    number = _finite(value)
    if number is None:
        return _OTHER_TYPE
    return number if _in_range(number, schema, problems, path) else WRONG


def _checked_integer(value: Any, schema: Schema, problems: list[Problem], path: Path) -> Any:
    number = _finite(value)
    if number is None or number != round(number):
        return _OTHER_TYPE
    return round(number) if _in_range(number, schema, problems, path) else WRONG


def _finite(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _in_range(number: float, schema: Schema, problems: list[Problem], path: Path) -> bool:
    options = _options(schema)
    too_small = number < schema.get("minimum", -math.inf) or number <= schema.get(
        "exclusiveMinimum", -math.inf
    )
    too_large = number > schema.get("maximum", math.inf) or number >= schema.get(
        "exclusiveMaximum", math.inf
    )
    if options and number not in options:
        problem = "is not one of the choices"
    elif too_small or too_large:
        problem = "is too small" if too_small else "is too large"
    else:
        return True
    problems.append(Problem(path, f"{shown(number)} {problem}", give(schema)))
    return False


def _options(schema: Schema) -> Sequence[Any]:
    return (schema["const"],) if "const" in schema else schema.get("enum", ())


_CHECKS: dict[str, Callable[[Any, Schema, list[Problem], Path], Any]] = {
    "object": _checked_object,
    "array": _checked_array,
    "string": _checked_string,
    "boolean": _checked_boolean,
    "number": _checked_number,
    "integer": _checked_integer,
    "null": lambda value, schema, problems, path: _OTHER_TYPE,
}


def _described_type(value: Any) -> str:
    if isinstance(value, bool):
        return "a truth value"
    if isinstance(value, (int, float)):
        return "a number that does not fit here"
    if isinstance(value, str):
        return "text"
    return "a block of keys" if isinstance(value, Mapping) else "a list"


def taken(schema: Schema) -> str:
    """Return what a schema takes, without its meaning."""
    options = [str(option) for option in _options(schema) if option is not None]
    if options:
        return f"one of {', '.join(options)}" if len(options) > 1 else options[0]
    kind = next(name for name in types(schema) if name != "null")
    if kind in ("number", "integer"):
        return f"a {'whole ' if kind == 'integer' else ''}number{_range(schema)}"
    if kind == "array":
        return f"a list{_count(schema)}"
    if kind == "object":
        return "a block of keys"
    if kind == "boolean":
        return "true or false"
    examples = schema.get("examples")
    return f"text such as {examples[0]}" if examples else "text"


def _range(schema: Schema) -> str:
    parts = [
        f"{word} {schema[key]:.12g}"
        for key, word in (
            ("minimum", "from"),
            ("exclusiveMinimum", "above"),
            ("maximum", "to"),
            ("exclusiveMaximum", "below"),
        )
        if key in schema
    ]
    return "".join(f" {part}" for part in parts)


def _count(schema: Schema) -> str:
    least, most = schema.get("minItems"), schema.get("maxItems")
    if least is not None and least == most:
        return f" of {least}"
    if least is not None and most is not None:
        return f" of {least} to {most}"
    return f" of at least {least}" if least else ""
