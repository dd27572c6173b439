"""The library's packages, from the bottom up: what a package may import lies below it."""

import ast
import tomllib
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]
LIBRARY = PROJECT / "scripts" / "grooveledger"
#: From the ground to the roof. A package imports from itself and from those before it.
FLOORS = (
    "faults",
    "plan",
    "physics",
    "schemas",
    "storage",
    "capture",
    "segment",
    "observe",
    "measure",
    "vocabulary",
    "configuration",
    "interpret",
    "report",
    "export",
    "run",
    "simulate",
)
MODULES = sorted(LIBRARY.rglob("*.py"))


def imported(module: Path) -> set[str]:
    """Packages of the library that a module imports from, at whatever depth of its code."""
    packages = set()
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            root, _, rest = node.module.partition(".")
            if root == "grooveledger":
                names = [rest] if rest else [alias.name for alias in node.names]
                packages |= {name.partition(".")[0] for name in names}
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
            packages |= {n.split(".")[1] for n in names if n.startswith("grooveledger.")}
    return packages


def test_every_package_has_its_floor():
    found = {path.relative_to(LIBRARY).parts[0].removesuffix(".py") for path in MODULES}
    assert found - {"__init__"} == set(FLOORS)


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(LIBRARY)))
def test_imports_only_go_down(module):
    name = module.relative_to(LIBRARY).parts[0].removesuffix(".py")
    if name == "__init__":
        return
    below = FLOORS[: FLOORS.index(name) + 1]
    above = imported(module) - set(below) - {"__version__"}
    assert not above, f"{module.name} in {name} imports from {', '.join(sorted(above))}, above it"


def modules_imported(module: Path) -> set[str]:
    """Modules of the library that a module imports, with their packages."""
    names = set()
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("grooveledger"):
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return {name.removeprefix("grooveledger.") for name in names if name}


def test_no_quantity_imports_another():
    folder = LIBRARY / "measure" / "quantities"
    quantities = {path.stem for path in folder.glob("*.py")} - {"__init__"}
    for path in folder.glob("*.py"):
        others = modules_imported(path) & {f"measure.quantities.{name}" for name in quantities}
        assert not others, f"{path.name} imports {others}"


def test_no_page_imports_another():
    pages = {path.stem for path in (LIBRARY / "report").glob("*_page.py")} | {"index", "methods"}
    for page in pages:
        others = modules_imported(LIBRARY / "report" / f"{page}.py")
        assert not others & {f"report.{other}" for other in pages}, page


def test_every_folder_of_tests_is_run():
    """They are named one by one, for their order."""
    settings = tomllib.loads((PROJECT / "pyproject.toml").read_text(encoding="utf-8"))
    tests = PROJECT / "tests"
    folders = {path.relative_to(tests).parts[0] for path in tests.rglob("test_*.py")}
    named = settings["tool"]["pytest"]["ini_options"]["testpaths"]
    assert sorted(named) == sorted(f"tests/{folder}" for folder in folders)
