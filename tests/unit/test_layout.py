"""The library's packages, from the bottom up: what a package may import lies below it."""

import ast
from pathlib import Path

import pytest

LIBRARY = Path(__file__).parents[2] / "scripts" / "grooveledger"
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
