"""Digests of what a result depends on: code, settings, captures.

The code of a stage is the modules that its script imports, followed through the package, each
without its comments: a comment re-runs nothing, a changed line re-runs what imports it and nothing
else.
"""

import ast
import functools
import hashlib
import io
import json
import tokenize
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

PACKAGE = Path(__file__).parent
#: Bytes of a digest that are kept, in hexadecimal digits: chance collisions are out of reach.
DIGEST_DIGITS = 24
#: Stand in for the digest of a capture that is not there, and of one that can't be read: either is
#: a rejected capture.
ABSENT, UNREADABLE = "absent", "unreadable"


def digest(value: Any) -> str:
    """Digest of plain builtins: equal values give equal digests, whatever the order of keys."""
    text = json.dumps(value, sort_keys=True, ensure_ascii=True, allow_nan=True)
    return hashlib.sha256(text.encode()).hexdigest()[:DIGEST_DIGITS]


def check_content(path: Path, sha256: str) -> None:
    """Check that a capture in which something is amiss is what it was when the run began.

    Parameters
    ----------
    sha256 : str
        Its digest as the run knows it.

    Raises
    ------
    OSError
        It is not there any more, can't be read now, or has changed. What a job found must then
        neither replace what was measured before nor be taken for the capture's by later runs.
    """
    if sha256 in (ABSENT, UNREADABLE):
        return
    if not path.is_file():
        raise FileNotFoundError(
            f"{path.name} is not there any more: connect the disk or put it back and run again, or "
            "take its row out of the sheet. What was measured of it before is kept."
        )
    if file_sha256(path) != sha256:
        raise OSError(f"{path.name} has changed while the run was at work: run again")


def code_digest(script: Path, modules: Iterable[str] = ()) -> str:
    """Digest of a script and of all package code that it can reach.

    Parameters
    ----------
    script : Path
        The script of a rule.
    modules : iterable of str
        Modules of the package that the script loads by name, which no import statement tells.
    """
    files = {script.resolve()} | reachable(script.resolve())
    for module in modules:
        file = _module_file(module)
        if file is None:
            raise ValueError(f"no module {module} in the package")
        files |= {file} | reachable(file)
    files |= {template for file in files for template in _templates(file)}
    base = PACKAGE.parent
    parts = sorted((str(file.relative_to(base)), _file_digest(file)) for file in files)
    return digest(parts)


def reachable(file: Path) -> set[Path]:
    """Files of the package that a file imports, directly or through others."""
    seen: set[Path] = set()
    waiting = [file]
    while waiting:
        for found in _imports(waiting.pop()):
            if found not in seen:
                seen.add(found)
                waiting.append(found)
    return seen


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's content, in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@functools.cache
def _imports(file: Path) -> tuple[Path, ...]:
    names: list[str] = []
    for node in _statements(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            # What is imported from a package may itself be a module.
            names += [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
    # A module's packages run before it.
    parts = [name.split(".") for name in names]
    whole = [".".join(part[: i + 1]) for part in parts for i in range(len(part))]
    files = (_module_file(name) for name in dict.fromkeys(whole))
    return tuple(dict.fromkeys(found for found in files if found is not None))


def _statements(tree: ast.AST) -> Iterator[ast.AST]:
    """Statements at any depth, without the expressions that they hold."""
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        yield node
        waiting += [
            child
            for child in ast.iter_child_nodes(node)
            if isinstance(child, ast.stmt | ast.excepthandler | ast.match_case)
        ]


def _module_file(name: str) -> Path | None:
    """File of a module that lies beside the package's own folder; None for any other module."""
    stem = PACKAGE.parent.joinpath(*name.split("."))
    for candidate in (stem.with_suffix(".py"), stem / "__init__.py"):
        if candidate.is_file():
            return candidate
    return None


@functools.cache
def _templates(file: Path) -> tuple[Path, ...]:
    """Templates beside a module that speaks of them: they are its code as well."""
    if '"templates"' not in file.read_text(encoding="utf-8"):
        return ()
    return tuple(sorted(file.parent.glob("templates/*.*")))


@functools.cache
def _file_digest(file: Path) -> str:
    text = file.read_text(encoding="utf-8")
    code = _without_comments(text) if file.suffix == ".py" else text
    return hashlib.sha256(code.encode()).hexdigest()


def _without_comments(source: str) -> str:
    lines = source.splitlines()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            row, column = token.start
            lines[row - 1] = lines[row - 1][:column]
    return "\n".join(line.rstrip() for line in lines if line.strip())
