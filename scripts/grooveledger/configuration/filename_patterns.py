"""Patterns that say where in a file's name the cells of the captures' sheet stand.

A pattern is the name as it is written, with fields in braces: ``{stylus}_{record}{side}_{any}``. A
field is a column of the sheet, or ``{any}`` for what is not wanted. In ``{captured_at:%d.%m.%Y}``
the date's form is given with the directives of strptime; without, it is ``%Y-%m-%d``.
"""

import datetime
import re
from collections.abc import Collection, Iterable, Mapping, Sequence

from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.suggestions import suggestion
from grooveledger.configuration.validation import Problem, shown

ANY = "any"
DATE_FORM = "%Y-%m-%d"
#: A day as ISO 8601 writes it (2024-03-02, 20240302), or with another sign between its parts.
_DAY = re.compile(r"(?<!\d)((?:19|20)\d\d)([-_. ]?)(\d\d)\2(\d\d)(?!\d)")
_FIELD = re.compile(r"\{(\w+)(?::([^{}]*))?\}")
_DIRECTIVES = {"%Y": r"\d{4}", "%y": r"\d{2}"} | {f"%{letter}": r"\d{2}" for letter in "mdHMS"}
_NUMBER = r"\d+(?:\.\d+)?"
_FORMS = {"stylus_hours": _NUMBER, "temperature_c": f"-?{_NUMBER}", "record_plays": r"\d+"}
_ID = r"[A-Za-z0-9][A-Za-z0-9._-]*?"


class FilenamePattern:
    """One pattern, made ready to read names.

    Parameters
    ----------
    pattern : str
        As a person writes it; without problems, as `pattern_problems` sees it.
    known : mapping of str to collection of str
        The ids that a field can have. Where capitals differ, the id's own are taken.
    """

    def __init__(self, pattern: str, known: Mapping[str, Collection[str]]) -> None:
        self._known = {
            field: {name.casefold(): name for name in names} for field, names in known.items()
        }
        self._date_form = DATE_FORM
        self._strict = re.compile(self._expression(pattern, ids_known=True), re.IGNORECASE)
        self._loose = re.compile(self._expression(pattern, ids_known=False), re.IGNORECASE)
        self.in_folders = "/" in pattern

    def read(self, name: str) -> dict[str, str] | None:
        """Return the cells in a name (without the file's ending).

        None where the pattern does not fit.
        """
        match = self._strict.fullmatch(name)
        if match is None:
            return None
        cells = match.groupdict()
        for field, names in self._known.items():
            if field in cells:
                cells[field] = names[cells[field].casefold()]
        if "captured_at" in cells:
            moment = _moment(cells["captured_at"], self._date_form)
            if moment is None:
                return None
            cells["captured_at"] = moment
        return cells

    def unknown_ids(self, name: str) -> list[tuple[str, str]]:
        """Return the fields and words of a name that would fit, were the words known ids."""
        match = self._loose.fullmatch(name)
        cells = match.groupdict() if match else {}
        return [
            (field, cells[field])
            for field, names in self._known.items()
            if field in cells and cells[field].casefold() not in names
        ]

    def _expression(self, pattern: str, ids_known: bool) -> str:
        parts = []
        end = 0
        for field in _FIELD.finditer(pattern):
            parts.append(re.escape(pattern[end : field.start()]))
            parts.append(self._field(field[1], field[2], ids_known))
            end = field.end()
        return "".join([*parts, re.escape(pattern[end:])])

    def _field(self, name: str, form: str | None, ids_known: bool) -> str:
        if name == ANY:
            return ".*?"
        if name == "captured_at":
            self._date_form = form or DATE_FORM
            return f"(?P<captured_at>{_date_expression(self._date_form)})"
        if name in self._known and ids_known:
            longest_first = sorted(self._known[name].values(), key=len, reverse=True)
            return f"(?P<{name}>{'|'.join(map(re.escape, longest_first)) or '(?!)'})"
        if name == "note":
            return "(?P<note>.+?)"
        return f"(?P<{name}>{_FORMS.get(name, _ID)})"


def pattern_problems(patterns: Iterable[str | None]) -> list[Problem]:
    """Return what is wrong with the configuration's patterns."""
    columns = [*schema("captures")["properties"], ANY]
    columns.remove("file")
    problems = []
    for place, pattern in enumerate(patterns):
        path = ("register", "patterns", place)
        fields = [field[1] for field in _FIELD.finditer(pattern or "")]
        form = next((f[2] for f in _FIELD.finditer(pattern or "") if f[1] == "captured_at"), None)
        for field in fields:
            if field not in columns:
                remedy = suggestion(field, columns, "fields")
                problems.append(Problem(path, f"{shown(field)} is no field", remedy))
            elif field != ANY and fields.count(field) > 1:
                problems.append(Problem(path, f"{shown(field)} is there twice", "Use {any}."))
        if re.search("[{}]", _FIELD.sub("", pattern or "")):
            problem = f"{shown(pattern)} has a brace that belongs to no field"
            problems.append(Problem(path, problem, "Write fields as {stylus} or {any}."))
        if form and set(re.findall("%.", form)) - _DIRECTIVES.keys():
            problem = f"{shown(form)} is no form of a date"
            problems.append(Problem(path, problem, f"Use {', '.join(_DIRECTIVES)}."))
        elif form and not {"%m", "%d"} <= set(re.findall("%.", form)):
            problem = f"{shown(form)} has no month or no day"
            problems.append(Problem(path, problem, f"Write it as {DATE_FORM}, for example."))
    return problems


def read_name(
    patterns: Sequence[FilenamePattern], path: str
) -> tuple[dict[str, str], list[tuple[str, str]]]:
    """Read a file's path under captures_dir by the first pattern that fits.

    Returns
    -------
    cells : dict
        Column and text; empty where no pattern fits.
    unknown : list of tuple
        Then: column and word that keep a pattern from fitting.
    """
    stem = _stem(path)
    unknown: list[tuple[str, str]] = []
    for pattern in patterns:
        name = stem if pattern.in_folders else stem.rsplit("/", 1)[-1]
        cells = pattern.read(name)
        if cells is not None:
            return cells, []
        unknown = unknown or pattern.unknown_ids(name)
    return {}, unknown


def day_in(path: str) -> str | None:
    """Return the day that a file's path names, year first, wherever it stands.

    None unless it is just one.
    """
    dates = {_moment(f"{y}-{m}-{d}", DATE_FORM) for y, _, m, d in _DAY.findall(_stem(path))}
    days = dates - {None}
    return days.pop() if len(days) == 1 else None


def _stem(path: str) -> str:
    """Return the path without the file's ending."""
    return path.rsplit(".", 1)[0] if "." in path.rsplit("/", 1)[-1] else path


def _date_expression(form: str) -> str:
    expression = re.escape(form)
    for directive, digits in _DIRECTIVES.items():
        expression = expression.replace(re.escape(directive), digits)
    return expression


def _moment(text: str, form: str) -> str | None:
    """Return the ISO date, or date and time where the form has hours."""
    try:
        moment = datetime.datetime.strptime(text, form)
    except ValueError:
        return None
    return moment.isoformat(timespec="minutes") if "%H" in form else moment.date().isoformat()
