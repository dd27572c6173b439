"""A picture that a person asks for by name: of a stylus, of a curve, of two captures."""

import subprocess
import sys

import pytest

from workspace import ENVIRONMENT


def draw(workspace, folder, *arguments):
    command = [sys.executable, str(workspace.project / "scripts/draw.py"), str(workspace.config)]
    return subprocess.run(
        [*command, "--output", str(folder), *arguments],
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("arguments", "names"),
    [
        (["--stylus", "s1", "--metric", "response_10khz_db"], ["s1-response_10khz_db"]),
        (["--captures", "c01"], ["c01-response"]),
        (["--captures", "c01", "--channel", "right"], ["c01-response-right"]),
        (
            ["--captures", "c01", "c03", "--curve", "separation"],
            ["c01-c03-separation-left", "c01-c03-separation-left-difference"],
        ),
    ],
    ids=["a figure of a stylus", "both channels", "one channel", "two captures"],
)
def test_a_picture_is_drawn_and_signed(measured, tmp_path, arguments, names):
    ended = draw(measured, tmp_path, *arguments)
    assert ended.returncode == 0, ended.stderr
    files = {f"{name}.{ending}" for name in names for ending in ("svg", "png")}
    assert {path.name for path in tmp_path.iterdir()} == files
    assert all(str(tmp_path / name) in ended.stdout for name in files)
    for name in names:
        assert (tmp_path / f"{name}.png").read_bytes().startswith(b"\x89PNG")
        # Text is drawn as text: what the picture is of can be read in it.
        drawn = (tmp_path / f"{name}.svg").read_text()
        for fact in ("tylus s1", "small", "47 k\N{GREEK CAPITAL LETTER OMEGA}, 155 pF"):
            assert fact in drawn


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--stylus", "s9"], "--stylus: no s9. There is s1."),
        (["--stylus", "s1", "--metric", "wear"], "--metric: no wear. There is "),
        (["--captures", "c01", "c99"], "--captures: no c99. There is c01, c02, c03."),
        (["--captures", "c01", "c02", "c03"], "--captures takes one or two ids"),
        ([], "one of the arguments --stylus --captures is required"),
    ],
    ids=["stylus", "metric", "capture", "three captures", "nothing asked for"],
)
def test_a_wrong_name_gets_a_sentence(measured, tmp_path, arguments, said):
    ended = draw(measured, tmp_path, *arguments)
    assert ended.returncode != 0
    assert said in ended.stderr
    assert "Traceback" not in ended.stderr
    assert not list(tmp_path.iterdir())
