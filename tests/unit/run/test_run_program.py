"""The run program's command line: help of one screen, a sentence for what is wrong."""

import importlib.util
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

SCRIPTS = Path(__file__).parents[3] / "scripts"


@pytest.fixture(scope="module")
def program() -> ModuleType:
    spec = importlib.util.spec_from_file_location("run_program", SCRIPTS / "run.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nonsense"], "'nonsense' is neither a configuration (.yaml) nor tables or all"),
        (["nowhere.yaml"], "nowhere.yaml not found: check the path of the configuration"),
        (["--bogus"], "unrecognized arguments: --bogus"),
        (["--core", "2"], "unrecognized arguments: --core"),
        (["--cores", "abc"], "--cores abc: give a whole number, or all"),
        (["--cores", "0"], "--cores 0: give a whole number, or all"),
        (["--batch", "3"], "--batch 3: give a part and their number, such as 1/10"),
        (["--batch", "4/3"], "--batch 4/3: give a part and their number, such as 1/10"),
        (["--directory", "/nowhere"], "/nowhere is not a folder: check --directory"),
        (["--workflow-profile", "no"], "no is not a folder: check --workflow-profile"),
        (["a.yaml", "--configfile", "b.yaml"], "one configuration at a time"),
    ],
)
def test_what_is_wrong_gets_a_sentence(program, capsys, words, said):
    with pytest.raises(SystemExit) as ended:
        program.parsed(words)
    assert ended.value.code == 2
    *usage, sentence = capsys.readouterr().err.splitlines()
    assert sentence.startswith(f"run.sh: error: {said}")
    assert len(usage) == 1


def test_a_configuration_is_understood_by_place_and_by_name(program, tmp_path):
    config = tmp_path / "config.yaml"
    config.touch()
    for words in ([str(config)], ["--configfile", str(config)], ["tables", str(config)]):
        assert program.parsed(words).configfile == config
    assert program.parsed([str(config), "--", "--rerun-triggers", "mtime"]).snakemake == [
        "--rerun-triggers", "mtime",
    ]  # fmt: skip
    assert program.parsed(["--cores", "all", "--batch", "1/10"]).configfile is None


PROGRAMS = (
    "run", "start", "check", "register", "preview", "compare", "draw", "measure_one",
    "simulate_demo",
)  # fmt: skip


@pytest.mark.parametrize("name", PROGRAMS)
def test_help_is_one_screen_makes_nothing_and_explains_every_option(name, tmp_path):
    done = subprocess.run(
        [sys.executable, SCRIPTS / f"{name}.py", "--help"],
        cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert len(done.stdout.splitlines()) <= 45
    assert list(tmp_path.iterdir()) == []
    lines = done.stdout.partition("options:\n")[2].splitlines()
    # An option without a text stands alone above the next one.
    bare = [
        line
        for line, below in zip(lines, [*lines[1:], ""], strict=True)
        if line.startswith("  -") and "  " not in line.strip() and not below.startswith("    ")
    ]
    assert bare == []
