"""Digests of the code that a rule's script can reach.

The code of a stage is the modules that its script imports, followed through the package, each
without comments and docstrings: rewording one re-runs nothing, a changed line re-runs what imports
it and nothing else.
"""

import ast
import functools
import hashlib
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from grooveledger.storage.digests import digest

#: The library's folder, and the one in which it lies, from which its modules are imported.
PACKAGE = Path(__file__).parents[1]
#: A comment, or a string, in which # begins none. An f-string of Python 3.11 holds no quotes of its
#: own kind, so that this is exact.
COMMENT_OR_STRING = re.compile(
    r"""\#[^\n]*"""
    r'''|"""(?:[^"\\]|\\.|"(?!""))*"""'''
    r"""|'''(?:[^'\\]|\\.|'(?!''))*'''"""
    r'''|"(?:[^"\\\n]|\\.)*"'''
    r"""|'(?:[^'\\\n]|\\.)*'""",
    re.DOTALL,
)
#: Where a statement holds others.
BLOCKS = ("body", "orelse", "finalbody", "handlers", "cases")


class _Facts(NamedTuple):
    """What follows from the text of a module.

    Attributes
    ----------
    code : str
        Digest of its lines without comments and docstrings.
    imported : list of str
        Names of modules, and of what is imported from them, which may be modules too.
    loaded : list of str
        Modules that it loads by name from its own package.
    """

    code: str
    imported: list[str]
    loaded: list[str]


def code_digest(*modules: Path) -> str:
    """Return the digest of scripts or modules and of all package code that they can reach."""
    files = {module.resolve() for module in modules}
    files |= {file for module in modules for file in reachable(module.resolve())}
    files |= {template for file in files for template in _templates(file)}
    base = PACKAGE.parent
    parts = sorted((str(file.relative_to(base)), _file_digest(file)) for file in files)
    return digest(parts)


def reachable(file: Path) -> set[Path]:
    """Return the files of the package that a file imports, directly or through others."""
    seen: set[Path] = set()
    waiting = [file]
    while waiting:
        for module in _imports(waiting.pop()):
            if module not in seen:
                seen.add(module)
                waiting.append(module)
    return seen


@functools.cache
def _imports(file: Path) -> tuple[Path, ...]:
    facts = _facts(file)
    names = list(facts.imported)
    if file.is_relative_to(PACKAGE):
        package = ".".join(file.parent.relative_to(PACKAGE.parent).parts)
        names += [f"{package}.{module}" for module in facts.loaded]
    # A module's packages run before it.
    parts = [name.split(".") for name in names]
    whole = [".".join(part[: i + 1]) for part in parts for i in range(len(part))]
    files = (_module_file(name, file.parent) for name in dict.fromkeys(whole))
    return tuple(dict.fromkeys(file for file in files if file is not None))


@functools.cache
def _facts(file: Path) -> _Facts:
    """Parse a module once for both: every start of the workflow reads the whole library."""
    source = file.read_text(encoding="utf-8")
    tree = ast.parse(source)
    imported: list[str] = []
    loaded: list[str] = []
    for node in _statements(tree):
        if isinstance(node, ast.Assign):
            loaded += _loaded_by_name(node)
        elif isinstance(node, ast.Import):
            imported += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            # What is imported from a package may itself be a module.
            names = (f"{node.module}.{alias.name}" for alias in node.names)
            imported += [node.module, *names]
    return _Facts(_text_digest(_code_alone(source, tree)), imported, loaded)


def _text_digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _loaded_by_name(node: ast.Assign) -> list[str]:
    """Return the modules that a package loads by name: it lists them as `MODULES`."""
    if not any(isinstance(target, ast.Name) and target.id == "MODULES" for target in node.targets):
        return []
    return list(ast.literal_eval(node.value))


def _statements(tree: ast.AST) -> Iterator[ast.AST]:
    """Yield the statements at any depth, without the expressions that they hold."""
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        yield node
        for block in BLOCKS:
            waiting += getattr(node, block, ())


@functools.cache
def _module_file(name: str, folder: Path) -> Path | None:
    """Return the file of a module of the library or the rule's folder; None for any other."""
    for stem in (place.joinpath(*name.split(".")) for place in (PACKAGE.parent, folder)):
        for candidate in (stem.with_suffix(".py"), stem / "__init__.py"):
            if candidate.is_file():
                return candidate
    return None


@functools.cache
def _templates(file: Path) -> tuple[Path, ...]:
    """Return the templates beside a module that speaks of them: they are its code as well."""
    if '"templates"' not in file.read_text(encoding="utf-8"):
        return ()
    return tuple(sorted(file.parent.glob("templates/*.*")))


@functools.cache
def _file_digest(file: Path) -> str:
    if file.suffix == ".py":
        return _facts(file).code
    return _text_digest(file.read_text(encoding="utf-8"))


def _code_alone(source: str, tree: ast.Module) -> str:
    """Return the lines of a module without its comments, docstrings and empty lines.

    Strings and line numbers decide, not a syntax tree written out again: that would differ between
    versions of Python.
    """
    lines = COMMENT_OR_STRING.sub(_without_comment, source).splitlines()
    for docstring in _docstrings(tree):
        last = docstring.end_lineno or docstring.lineno
        lines[docstring.lineno - 1 : last] = [""] * (last - docstring.lineno + 1)
    return "\n".join(line.rstrip() for line in lines if line.strip())


def _without_comment(found: re.Match[str]) -> str:
    return "" if found[0].startswith("#") else found[0]


def _docstrings(tree: ast.Module) -> Iterator[ast.Expr]:
    """Yield the docstring of a module and of each of its classes and functions.

    Only those that have their lines to themselves: blanking the others' lines would hide code.
    """
    holders = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    for node in _statements(tree):
        if not isinstance(node, holders) or not node.body:
            continue
        first = node.body[0]
        alone = len(node.body) == 1 or node.body[1].lineno > (first.end_lineno or 0)
        below = isinstance(node, ast.Module) or first.lineno > node.lineno
        if (
            isinstance(first, ast.Expr)
            and isinstance(first.value, ast.Constant)
            and isinstance(first.value.value, str)
            and alone
            and below
        ):
            yield first
