"""Whether the tests can fail: small random changes of the library, and how many the tests notice.

python scripts/studies/mutants.py [--mutants 200] [--seed N] [--packages measure physics interpret]

Works on a scratch copy. Each mutant changes one operator, comparison or number of one module. The
tests that mirror the module run first, then those that hold the documentation to the declarations,
then those of the whole package. A mutant that passes them all has survived and is printed with its
place: either no test looks there, or the change makes no difference.
"""

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

PROJECT = Path(__file__).parents[2]
LIBRARY = Path("scripts/grooveledger")
TESTS = Path("tests/unit")
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
LONGEST_S = 240.0


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


def noticed(project: Path, module: Path) -> bool:
    """Whether the tests of a module, of the documentation, or of the module's package fail."""
    own = project / TESTS / module.parent / f"test_{module.name}"
    others = [project / TESTS / "test_docs.py", project / TESTS / module.parts[0]]
    for target in ([own] if own.is_file() else []) + others:
        try:
            ended = subprocess.run(
                [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", str(target)],
                cwd=project,
                env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
                capture_output=True,
                timeout=LONGEST_S,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return True
        if ended.returncode:
            return True
    return False


def main() -> None:
    """Make mutants, run the tests, print who survived and the share that was noticed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--mutants", type=int, default=200)
    parser.add_argument("--seed", type=int, default=time.time_ns() % 100_000)
    parser.add_argument("--packages", nargs="+", default=["measure", "physics", "interpret"])
    options = parser.parse_args()
    choice = random.Random(options.seed)
    print(f"seed {options.seed}")
    with tempfile.TemporaryDirectory() as scratch:
        project = Path(scratch) / "project"
        ignored = shutil.ignore_patterns("__pycache__", ".venv", ".git", "results", "captures")
        shutil.copytree(PROJECT, project, ignore=ignored)
        library = project / LIBRARY
        modules = sorted(m for p in options.packages for m in (library / p).rglob("*.py"))
        # A module is chosen as often as it is long, so that every line has the same chance.
        weights = [len(m.read_text(encoding="utf-8").splitlines()) for m in modules]
        made = killed = 0
        while made < options.mutants:
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
        print(f"{killed} of {made} mutants noticed ({100 * killed / made:.0f} %)")


if __name__ == "__main__":
    main()
