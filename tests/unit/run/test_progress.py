"""What a run says while it is at work."""

import io

import pytest

from grooveledger.run.progress import LONGEST, Progress, duration, shortened
from grooveledger.schemas.capture_metrics import REMARKS
from grooveledger.schemas.segment import HEALTH
from grooveledger.storage import tables


class Terminal(io.StringIO):
    def isatty(self):
        return True


class Clock:
    """Goes on by one second whenever it is looked at."""

    def __init__(self):
        self.now = 0.0

    def __call__(self):
        self.now += 1.0
        return self.now


def health(folder, capture, status, reason):
    columns = dict.fromkeys(HEALTH.names)
    columns |= {"capture": capture, "status": status, "reason": reason}
    path = folder / "captures" / capture
    tables.write(HEALTH, tables.build(HEALTH, columns), path / "health.parquet", {})
    tables.write(REMARKS, tables.empty(REMARKS), path / "remarks.parquet", {})


def followed(stream, folder):
    """A run of two captures to its end; the second is rejected."""
    health(folder, "a", "flagged", "clipped")
    health(folder, "b", "rejected", "played at 45 rpm")
    progress = Progress(stream, folder, Clock())
    progress.plan({"all": 1, "capture": 2, "index_pages": 1, "total": 4})
    for number, capture in enumerate("ba"):
        progress.start(number, "capture", {"capture": capture})
        progress.finish(number)
    progress.start(9, "index_pages", {})
    progress.fail(9, "index_pages", str(folder / "index.log"))
    return progress


def test_without_a_terminal_each_step_and_each_capture_is_one_line(tmp_path):
    stream = io.StringIO()
    (tmp_path / "index.log").write_text("Traceback:\n  here\nKeyError: 'hours'\n\n")
    followed(stream, tmp_path).end()
    said = stream.getvalue().splitlines()
    assert "rejected b: played at 45 rpm" in said
    assert "flagged a: clipped" in said
    assert said[-1] == f"failed index_pages: KeyError: 'hours' (see {tmp_path / 'index.log'})"
    steps = [line for line in said if "%" in line]
    assert [int(line.split()[0]) for line in steps] == [33, 66]
    assert steps[-1].startswith(" 66 %  2 of 2 captures, measuring, about")
    assert steps[-1].endswith("left, 1 rejected")
    assert "\r" not in stream.getvalue()


def test_on_a_terminal_one_line_is_redrawn(tmp_path):
    stream = Terminal()
    followed(stream, tmp_path).end()
    lasting = [line.rpartition("\r")[2] for line in stream.getvalue().split("\n")]
    kept = [line.removeprefix("\x1b[K") for line in lasting]
    assert [line.partition(" ")[0] for line in kept] == ["rejected", "flagged", "failed", ""]


@pytest.mark.parametrize(
    ("seconds", "words"), [(0.2, "1 s"), (89.0, "89 s"), (600.0, "10 min"), (7200.0, "2.0 h")]
)
def test_times_are_written_as_a_person_says_them(seconds, words):
    assert duration(seconds) == words


def test_a_long_line_is_cut():
    assert len(shortened("x" * 500)) == LONGEST
    assert shortened("short") == "short"
