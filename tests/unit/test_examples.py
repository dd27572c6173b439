"""The examples in docstrings give what they say."""

import doctest
import importlib
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).parents[2] / "scripts"
MODULES = sorted(
    ".".join(path.relative_to(SCRIPTS).with_suffix("").parts)
    for path in (SCRIPTS / "grooveledger").rglob("*.py")
    if ">>>" in path.read_text(encoding="utf-8")
)


@pytest.mark.parametrize("name", MODULES)
def test_examples_of_a_module(name):
    outcome = doctest.testmod(importlib.import_module(name))
    assert outcome.attempted > 0
    assert outcome.failed == 0
