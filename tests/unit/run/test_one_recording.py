"""One recording by one command: its page, its response, and sentences where something is wrong."""

import subprocess
import sys
from pathlib import Path

import pytest

from grooveledger.simulate.archives import small_archive
from grooveledger.storage import tables

PROGRAM = Path(__file__).parents[3] / "scripts" / "measure_one.py"


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    folder = tmp_path_factory.mktemp("one")
    small_archive(folder, captures=1, sides=("a",))
    return folder


def ended(archive, *options, recording="captures/c01.flac"):
    return subprocess.run(
        [
            *(sys.executable, str(PROGRAM), recording, "records/small.yaml"),
            *("--chains", "chains.yaml", *options),
        ],
        cwd=archive,
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_recording_gets_its_page_and_its_response(archive):
    before = {path for path in archive.rglob("*") if path.is_file()}
    done = ended(archive, "--side", "a", "--output", "out")
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("ok\n")
    page = archive / "out/captures/c01.html"
    said = page.read_text(encoding="utf-8")
    assert "<h1>Recording c01</h1>" in said
    # Nothing is said that nobody gave: no stylus, hours, date or plays.
    assert '<p class="lead">Record small, side a. <span' in said
    invented = ("tylus stylus", "earlier plays", "of cartridge", " 0 h")
    assert [text for text in invented if text in said] == []
    assert (archive / "out/captures/c01/response.svg").exists()
    response = tables.columns(tables.read(archive / "out/tables/response.parquet"))
    # The simulated cartridge is within 6 dB of flat from 200 Hz to 10 kHz.
    inside = (response["frequency_hz"] > 200) & (response["frequency_hz"] < 10_000)
    assert abs(response["response_db"][inside]).max() < 6.0
    made = {path for path in archive.rglob("*") if path.is_file()} - before
    assert all(path.is_relative_to(archive / "out") for path in made)


@pytest.mark.parametrize(
    ("options", "recording", "sentence"),
    [
        ((), "captures/c01.flac", "records/small.yaml: describes a, b. Choose one with --side.\n"),
        (
            ("--side", "a"),
            "captures/gone.flac",
            "captures/gone.flac: not found. Check the path of the recording.\n",
        ),
    ],
)
def test_what_is_wrong_is_said_in_a_sentence(archive, options, recording, sentence):
    done = ended(archive, *options, recording=recording)
    assert (done.returncode, done.stderr) == (1, sentence)
