"""Whether the tests can fail: small random changes of the library, and how many the tests notice.

python scripts/studies/mutants.py [--mutants 200] [--seed N] [--minutes 8]
    [--packages measure physics interpret]

Works on a scratch copy. Each mutant changes one operator, comparison or number of one module;
annotations, revisions and constants that no code reads are left alone. The tests that mirror the
module run first, then those that import it or its own package, and those of the documentation but
for the slowest: a test further off may notice what these do not. A test that failed must pass
without the change, or the run ends.

A line a mutant says whether a test failed, a run took too long, or all passed: then the mutant
survived, and either no test looks there, or the change makes no difference. A run that is cut off
has printed the share up to there.
"""

import argparse
import ast
import compileall
import functools
import os
import py_compile
import random
import resource
import shutil
import signal
import tempfile
import time
from collections import Counter
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
#: What one run of tests may take, s: of the processor, so that a busy machine ends none that would
#: pass, and by the clock, for those that wait for something.
LONGEST_CPU_S, LONGEST_S = 600, 1800
#: What a run of tests comes to.
PASSED, FAILED, TOO_LONG = "survived", "failed", "took too long"


def behaviour(tree: ast.Module, read: set[str]) -> Iterator[ast.AST]:
    """Yield the nodes of a module but for annotations, `Literal`, revisions, constants not read."""
    waiting: list[ast.AST] = [tree]
    while waiting:
        node = waiting.pop()
        yield node
        for field, value in ast.iter_fields(node):
            if field in ("annotation", "returns") or getattr(node, "arg", None) == "revision":
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST) and not is_idle(child, read):
                    waiting.append(child)


def is_idle(node: ast.AST, read: set[str]) -> bool:
    """Whether a node does nothing when the program runs: a `Literal`, an assignment never read."""
    if isinstance(node, ast.Subscript):
        return isinstance(node.value, ast.Name) and node.value.id == "Literal"
    if not isinstance(node, ast.Assign):
        return False
    names = {n.id for target in node.targets for n in ast.walk(target) if isinstance(n, ast.Name)}
    return bool(names) and not names & read


def names_read(library: Path) -> set[str]:
    """Return every name and attribute that the library's code reads."""
    nodes = [node for file in sorted(library.rglob("*.py")) for node in ast.walk(parsed(file))]
    named = {n.id for n in nodes if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Load)}
    return named | {n.attr for n in nodes if isinstance(n, ast.Attribute)}


def places(tree: ast.Module, read: set[str]) -> Iterator[tuple[Any, str, int]]:
    """Yield what can be changed: the node, its field and the place in a list of operators."""
    for node in behaviour(tree, read):
        if isinstance(node, ast.BinOp | ast.BoolOp) and type(node.op) in SWAPS:
            yield node, "op", 0
        elif isinstance(node, ast.Compare):
            for i, operator in enumerate(node.ops):
                if type(operator) in SWAPS:
                    yield node, "ops", i
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield node, "value", 0


def mutated(source: str, read: set[str], choice: random.Random) -> tuple[str, int, str] | None:
    """Return a module with one change, its line and what it is; None where nothing can change."""
    tree = ast.parse(source)
    candidates = list(places(tree, read))
    if not candidates:
        return None
    node, field, i = choice.choice(candidates)
    before = ast.unparse(node)
    if field == "value":
        grown = node.value * GROWTH if node.value else type(node.value)(1)
        node.value = grown if isinstance(node.value, float) else max(round(grown), node.value + 1)
    elif field == "op":
        node.op = SWAPS[type(node.op)]()
    else:
        node.ops[i] = SWAPS[type(node.ops[i])]()
    return ast.unparse(tree), node.lineno, f"{before}  ->  {ast.unparse(node)}"


@functools.cache
def parsed(file: Path) -> ast.Module:
    """Return a file's tree; no change of an operator or a number changes what it imports."""
    return ast.parse(file.read_text(encoding="utf-8"))


@functools.cache
def imported(project: Path, file: Path) -> set[str]:
    """Return the modules that a file imports itself; a package where it takes no module from it."""
    names: set[str] = set()
    for node in ast.walk(parsed(file)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                place = project / "scripts" / node.module.replace(".", "/") / alias.name
                is_module = place.is_dir() or place.with_suffix(".py").is_file()
                names.add(f"{node.module}.{alias.name}" if is_module else node.module)
    return names


def tests_of(project: Path, module: Path) -> list[list[str]]:
    """Return what to run for a module: its own tests, then those that import it or its package."""
    package = project / TESTS / module.parts[0]
    own = project / TESTS / module.parent / f"test_{module.name}"
    name = ".".join(("grooveledger", *module.with_suffix("").parts)).removesuffix(".__init__")
    parent = name.rpartition(".")[0]
    others = [
        test
        for test in sorted(package.rglob("test_*.py"))
        if test != own and {name, parent} & imported(project, test)
    ]
    others.sort(key=lambda test: name not in imported(project, test))
    first = [str(own)] if own.is_file() else []
    if ">>>" in (project / LIBRARY / module).read_text(encoding="utf-8"):
        first.append(f"{project / EXAMPLES}::test_examples_of_a_module[{name}]")
    docs = [str(project / DOCS), "-k", "not commands and not archive"]
    return [tests for tests in (first, [str(test) for test in others], docs) if tests]


class Failures:
    """A plugin of pytest that writes the names of failed tests, and of files it could not read."""

    def __init__(self, pipe: int) -> None:
        self.pipe = pipe

    def pytest_runtest_logreport(self, report: pytest.TestReport | pytest.CollectReport) -> None:
        """Write the name of what failed, one a line."""
        if report.failed:
            os.write(self.pipe, f"{report.nodeid}\n".encode())

    pytest_collectreport = pytest_runtest_logreport


def outcome(project: Path, tests: list[str]) -> tuple[str, str]:
    """Return what tests come to in a child that inherits scipy, and the one that failed."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.chdir(project)
        sink = os.open(os.devnull, os.O_WRONLY)
        os.dup2(sink, 1)
        os.dup2(sink, 2)
        resource.setrlimit(resource.RLIMIT_CPU, (LONGEST_CPU_S, LONGEST_CPU_S + 10))
        signal.alarm(LONGEST_S)
        options = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist"]
        os._exit(int(pytest.main([*options, *tests], plugins=[Failures(writing)])))
    os.close(writing)
    with os.fdopen(reading, encoding="utf-8") as pipe:
        failed = pipe.read().partition("\n")[0]
    ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if -ended in (signal.SIGXCPU, signal.SIGALRM, signal.SIGKILL):
        return TOO_LONG, failed
    if ended in (pytest.ExitCode.USAGE_ERROR, pytest.ExitCode.NO_TESTS_COLLECTED):
        raise RuntimeError(f"no tests ran: {tests}")
    return FAILED if ended else PASSED, failed


def outcome_of(project: Path, module: Path) -> tuple[str, str]:
    """Return what the tests of a module, of its package and of the documentation come to."""
    found = (outcome(project, tests) for tests in tests_of(project, module))
    return next((ended for ended in found if ended[0] != PASSED), (PASSED, ""))


def main() -> None:
    """Make mutants, run the tests, print what became of each and the share that was noticed."""
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
    print(f"seed {options.seed}", flush=True)
    with tempfile.TemporaryDirectory() as scratch:
        project = Path(scratch) / "project"
        ignored = shutil.ignore_patterns("__pycache__", ".venv", ".git", "results", "captures")
        shutil.copytree(PROJECT, project, ignore=ignored)
        library = project / LIBRARY
        modules = sorted(m for p in options.packages for m in (library / p).rglob("*.py"))
        sources = {module: module.read_text(encoding="utf-8") for module in modules}
        for module, source in sources.items():
            # As a mutant is written, but without a change.
            module.write_text(ast.unparse(ast.parse(source)), encoding="utf-8")
        by_hash = py_compile.PycInvalidationMode.CHECKED_HASH
        compileall.compile_dir(library, quiet=1, invalidation_mode=by_hash)
        read = names_read(library)
        # A module is chosen as often as it is long, so that every line has the same chance.
        weights = [len(source.splitlines()) for source in sources.values()]
        found: Counter[str] = Counter()
        sound: set[str] = set()
        while found.total() < options.mutants and time.monotonic() < stop:
            (module,) = choice.choices(modules, weights)
            change = mutated(sources[module], read, choice)
            if change is None:
                continue
            text, line, what = change
            unchanged = module.read_text(encoding="utf-8")
            module.write_text(text, encoding="utf-8")
            name = module.relative_to(library)
            became, test = outcome_of(project, name)
            module.write_text(unchanged, encoding="utf-8")
            if test and test not in sound:
                if outcome(project, [test])[0] != PASSED:
                    raise SystemExit(f"{test} fails without any change")
                sound.add(test)
            found[became] += 1
            so_far = f"{found.total() - found[PASSED]} of {found.total()} so far"
            print(f"{became} ({so_far}): {name}:{line}: {what}", flush=True)
        share = 1.0 - found[PASSED] / max(found.total(), 1)
        error = (share * (1.0 - share) / max(found.total(), 1)) ** 0.5
        print(
            f"{found.total() - found[PASSED]} of {found.total()} mutants noticed, "
            f"{100 * share:.0f} % +/- {100 * error:.0f} %: {found[FAILED]} by a test that failed, "
            f"{found[TOO_LONG]} by a run that took too long"
        )


if __name__ == "__main__":
    main()
