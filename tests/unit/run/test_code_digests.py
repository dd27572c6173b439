"""The digest of a stage's code: all of the package that it imports, and nothing else."""

import ast
import io
import json
import os
import subprocess
import sys
import tokenize
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from grooveledger.run import code_digests
from grooveledger.run.rules import OBSERVATIONS, RULES, SCRIPTS, code_of
from grooveledger.storage import digests

LIBRARY_PATH = SCRIPTS.parent
#: What a job of stages 1 to 4 runs.
EARLY = ("segment", *OBSERVATIONS, "measure", "collect")
#: Runs the imports of each group of modules, and prints the files that python has loaded for them.
LOADED = """
import ast, json, sys
found, finders = {}, list(sys.meta_path)
for rule, *files in map(str.split, sys.argv[1:]):
    sys.meta_path[:] = finders
    own = ("grooveledger", "job", "failing", "block_pandas", "bug_log", "seldom_collect")
    for name in [name for name in sys.modules if name.split(".")[0] in own]:
        del sys.modules[name]
    for file in files:
        tree = ast.parse(open(file, encoding="utf-8").read())
        imports = (ast.Import, ast.ImportFrom)
        statements = [node for node in ast.walk(tree) if isinstance(node, imports)]
        exec(compile(ast.Module(statements, []), "imports", "exec"))
    found[rule] = [getattr(m, "__file__", None) for m in list(sys.modules.values())]
print(json.dumps(found))
"""


def printed(code: str, rules: Sequence[str]) -> Any:
    """What a fresh process that runs the code over the rules prints, as JSON."""
    ended = subprocess.run(
        [
            *(sys.executable, "-c", code),
            *(" ".join([rule, *map(str, code_of(rule))]) for rule in rules),
        ],
        capture_output=True,
        text=True,
        cwd=SCRIPTS,
        env={**os.environ, "PYTHONPATH": str(LIBRARY_PATH)},
        check=True,
    )
    return json.loads(ended.stdout)


@pytest.fixture(scope="module")
def loaded() -> dict[str, list[str]]:
    found: dict[str, list[str]] = printed(LOADED, list(RULES))
    return found


def reachable(rule: str) -> set[Path]:
    """All that the digest of a rule's code covers."""
    files = [file.resolve() for file in code_of(rule)]
    return {*files, *(found for file in files for found in code_digests.reachable(file))}


@pytest.mark.parametrize("rule", RULES)
def test_every_module_that_python_loads_is_reached(rule, loaded):
    files = {Path(name).resolve() for name in loaded[rule] if name}
    own = {file for file in files if file.is_relative_to(LIBRARY_PATH.resolve())}
    reached = reachable(rule)
    assert len(own) > 5
    assert own <= reached


@pytest.mark.parametrize("rule", EARLY[:-1])
def test_stages_one_to_three_stay_clear_of_later_ones_and_of_each_other(rule):
    reached = reachable(rule)
    parts = {file.relative_to(code_digests.PACKAGE.parent).parts[1:2] for file in reached}
    packages = {part[0] for part in parts if part}
    assert not packages & {"configuration", "interpret", "report", "export", "run", "simulate"}
    names = {file.stem for file in reached}
    assert "data_frames" not in names
    assert ("order_tracking" in names) == (rule == "observe_orders")
    assert ("segment" in packages) == (rule == "segment")


def alone(source: str) -> str:
    """Return the lines of a module that count."""
    return code_digests._code_alone(source, ast.parse(source))


@pytest.mark.parametrize(
    ("changed", "same"),
    [
        ("x = 1  # why\n", True),
        ("# why\n\nx = 1\n\n\n", True),
        ("x = 2\n", False),
        ('x = 1\ny = "#"\n', False),
        ('"""What it is."""\nx = 1\n', True),
        ('"""What it is.\n\nAt length.\n"""\n\nx = 1\n', True),
        ('x = 1\n"""No docstring: a text that is left there."""\n', False),
    ],
)
def test_a_comment_is_no_code(changed, same):
    plain = alone("x = 1\n")
    assert (alone(changed) == plain) == same


def test_docstrings_of_functions_and_classes_are_no_code():
    code = (
        'class A:\n    """{0}"""\n\n    def f(self):\n        """{0}\n\n        {0}\n        """\n'
    )
    code += "        return {1}\n"
    first, reworded, changed = (alone(code.format(*x)) for x in (("a", 1), ("b c", 1), ("a", 2)))
    assert first == reworded != changed


def test_a_docstring_on_a_line_with_code_stays():
    assert alone('def f(): "a"; return 1\n') == 'def f(): "a"; return 1'


def test_a_hash_sign_in_a_text_is_code():
    assert alone('x = "a # b"  # c\n') == 'x = "a # b"'


def test_comments_are_those_that_python_reads():
    """The standard library's tokenizer as the reference, over the whole library."""
    for path in sorted(code_digests.PACKAGE.rglob("*.py")):
        source = path.read_text(encoding="utf-8")
        found = code_digests.COMMENT_OR_STRING.findall(source)
        read = tokenize.generate_tokens(io.StringIO(source).readline)
        comments = [token.string for token in read if token.type == tokenize.COMMENT]
        assert [text for text in found if text.startswith("#")] == comments, path


def test_stages_one_to_four_start_without_what_they_do_not_need():
    code = LOADED.replace("print(json", "import pyarrow as pa; pa.array([1]); print(json")
    code = code.replace("json.dumps(found)", "json.dumps(list(sys.modules))")
    packages = {name.partition(".")[0] for name in printed(code, EARLY)}
    assert packages >= {"numpy", "pyarrow"}
    assert not packages & {"pandas", "scipy", "matplotlib", "jinja2", "snakemake"}


def test_digests_ignore_the_order_of_keys_and_tell_values_apart():
    assert digests.digest({"a": 1, "b": [1.5]}) == digests.digest({"b": [1.5], "a": 1})
    assert digests.digest({"a": 1}) != digests.digest({"a": "1"})
    assert digests.digest({"a": None}) != digests.digest({})


def test_a_capture_that_is_not_what_it_was_is_told(tmp_path):
    path = tmp_path / "a.wav"
    digests.check_content(path, digests.ABSENT)
    with pytest.raises(FileNotFoundError, match=r"a\.wav is not there any more: connect the disk"):
        digests.check_content(path, "known")
    path.write_bytes(b"one")
    digests.check_content(path, digests.file_sha256(path))
    with pytest.raises(OSError, match="has changed while the run was at work"):
        digests.check_content(path, "known")
