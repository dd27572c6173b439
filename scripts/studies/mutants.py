"""Whether the tests can fail: small random changes of the library, and how many the tests notice.

python scripts/studies/mutants.py [--mutants 200] [--seed N] [--minutes 8]
    [--packages measure physics interpret]

Works on a scratch copy. Each mutant changes one operator, comparison or number of one module. The
tests that mirror the module run first, then those of its package that import it and those that
hold the documentation to the declarations. A mutant that passes them all has survived and is
printed with its place: either no test looks there, or the change makes no difference.
"""

import argparse
import ast
import compileall
import os
import py_compile
import random
import shutil
import signal
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

# Imported once, here: a child that runs tests begins with them.
import pandas as pd  # noqa: F401
import pyarrow.parquet as pq  # noqa: F401
import pytest
import scipy.optimize
import scipy.signal
import scipy.stats  # noqa: F401

PROJECT = Path(__file__).parents[2]
LIBRARY = Path("scripts/grooveledger")
TESTS = Path("tests/unit")
EXAMPLES, DOCS = TESTS / "test_examples.py", TESTS / "test_docs.py"
#: Each operator and what takes its place.
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.And: ast.Or,
    ast.Or: ast.And,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
#: A number grows by this factor, 0 becomes 1.
GROWTH = 1.5
#: A test run that takes longer, s, has noticed the mutant: it hangs.
LONGEST_S = 240


def places(tree: ast.Module) -> Iterator[tuple[Any, str, int]]:
    """Yield what can be changed: the node, its field and the place in a list of operators."""
    for node in ast.walk(tree):
        if isinstance(node, ast.BinOp | ast.BoolOp) and type(node.op) in SWAPS:
            # A sum or a union of types is no arithmetic, but its change is noticed at once.
            yield node, "op", 0
        elif isinstance(node, ast.Compare):
            for i, operator in enumerate(node.ops):
                if type(operator) in SWAPS:
                    yield node, "ops", i
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield node, "value", 0


def mutated(source: str, choice: random.Random) -> tuple[str, int, str] | None:
    """Return a module with one change, its line and what it is; None where nothing can change."""
    tree = ast.parse(source)
    candidates = list(places(tree))
    if not candidates:
        return None
    node, field, i = choice.choice(candidates)
    before = ast.unparse(node)
    if field == "value":
        node.value = node.value * GROWTH if node.value else type(node.value)(1)
        if isinstance(ast.parse(before, mode="eval").body, ast.Constant) and before.isdigit():
            node.value = round(node.value) if round(node.value) != int(before) else int(before) + 1
    elif field == "op":
        node.op = SWAPS[type(node.op)]()
    else:
        node.ops[i] = SWAPS[type(node.ops[i])]()
    return ast.unparse(tree), node.lineno, f"{before}  ->  {ast.unparse(node)}"


def reached(project: Path, file: Path) -> set[str]:
    """Return the modules of the library that a file imports, directly or through others."""
    names: set[str] = set()
    waiting = [file]
    while waiting:
        for node in ast.walk(ast.parse(waiting.pop().read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported = {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                imported = {node.module} | {f"{node.module}.{a.name}" for a in node.names}
            else:
                continue
            for name in imported - names:
                for place in (project / "scripts", project / "tests/support"):
                    base = place / name.replace(".", "/")
                    source = next(
                        (p for p in (base.with_suffix(".py"), base / "__init__.py") if p.is_file()),
                        None,
                    )
                    if source:
                        names.add(name)
                        waiting.append(source)
    return names


def tests_of(project: Path, module: Path) -> list[list[str]]:
    """Return what to run for a module: its own tests, then those of its package that reach it."""
    package = project / TESTS / module.parts[0]
    own = project / TESTS / module.parent / f"test_{module.name}"
    name = ".".join(("grooveledger", *module.with_suffix("").parts)).removesuffix(".__init__")
    # The measures are loaded by name: whatever reaches their package may reach each of them.
    parent = name.rpartition(".")[0]
    others = [
        str(test)
        for test in sorted(package.rglob("test_*.py"))
        if test != own and {name, parent} & reached(project, test)
    ]
    first = [str(own)] if own.is_file() else []
    if ">>>" in (project / LIBRARY / module).read_text(encoding="utf-8"):
        first.append(f"{project / EXAMPLES}::test_examples_of_a_module[{name}]")
    return [tests for tests in (first, [*others, str(project / DOCS)]) if tests]


def passes(project: Path, tests: list[str]) -> bool:
    """Return whether tests pass in a child that inherits numpy, pandas and scipy."""
    child = os.fork()
    if child == 0:
        os.chdir(project)
        sink = os.open(os.devnull, os.O_WRONLY)
        os.dup2(sink, 1)
        os.dup2(sink, 2)
        signal.alarm(LONGEST_S)
        ended = pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", *tests])
        os._exit(int(ended))
    return os.waitpid(child, 0)[1] == 0


def noticed(project: Path, module: Path) -> bool:
    """Return whether a test of the module, of its package or of the documentation fails."""
    return not all(passes(project, tests) for tests in tests_of(project, module))


def main() -> None:
    """Make mutants, run the tests, print who survived and the share that was noticed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--mutants", type=int, default=200)
    parser.add_argument("--seed", type=int, default=time.time_ns() % 100_000)
    parser.add_argument("--packages", nargs="+", default=["measure", "physics", "interpret"])
    parser.add_argument(
        "--minutes", type=float, default=float("inf"), help="begin no mutant after these"
    )
    options = parser.parse_args()
    stop = time.monotonic() + 60.0 * options.minutes
    choice = random.Random(options.seed)
    print(f"seed {options.seed}")
    with tempfile.TemporaryDirectory() as scratch:
        project = Path(scratch) / "project"
        ignored = shutil.ignore_patterns("__pycache__", ".venv", ".git", "results", "captures")
        shutil.copytree(PROJECT, project, ignore=ignored)
        library = project / LIBRARY
        by_hash = py_compile.PycInvalidationMode.CHECKED_HASH
        compileall.compile_dir(library, quiet=1, invalidation_mode=by_hash)
        if not passes(project, [str(project / EXAMPLES), str(project / DOCS)]):
            raise SystemExit("the tests fail without any change")
        modules = sorted(m for p in options.packages for m in (library / p).rglob("*.py"))
        # A module is chosen as often as it is long, so that every line has the same chance.
        weights = [len(m.read_text(encoding="utf-8").splitlines()) for m in modules]
        made = killed = 0
        while made < options.mutants and time.monotonic() < stop:
            (module,) = choice.choices(modules, weights)
            source = module.read_text(encoding="utf-8")
            change = mutated(source, choice)
            if change is None:
                continue
            made += 1
            text, line, what = change
            module.write_text(text, encoding="utf-8")
            was_noticed = noticed(project, module.relative_to(library))
            module.write_text(source, encoding="utf-8")
            killed += was_noticed
            if not was_noticed:
                print(f"survived: {module.relative_to(library)}:{line}: {what}", flush=True)
        share = killed / made
        error = (share * (1.0 - share) / made) ** 0.5
        print(f"{killed} of {made} mutants noticed: {100 * share:.0f} % +/- {100 * error:.0f} %")


if __name__ == "__main__":
    main()
