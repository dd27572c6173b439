"""The end of a run: what is new, whose verdict changed, what to do first, how long it took."""

from pathlib import Path

import pytest

from grooveledger.run.outcome import State, lines


def stylus(verdict: str, due_hours: float | None = None) -> dict[str, object]:
    said = {"steady": "Nothing moves.", "past_limit": "Limit passed."}[verdict]
    return {"verdict": verdict, "sentence": said, "due_hours": due_hours, "hours_now": 100.0}


NOTHING = State({}, {}, {})
BEFORE = State({"c1": "ok", "c2": "ok"}, {"one": stylus("steady"), "two": stylus("steady")}, {})
AFTER = State(
    {"c1": "ok", "c2": "flagged", "c3": "rejected"},
    {"one": stylus("steady"), "two": stylus("past_limit", 80.0)},
    {"one": "Make one more capture.", "two": "Replace the stylus."},
)


@pytest.fixture
def results(tmp_path: Path) -> Path:
    page = tmp_path / "report" / "index.html"
    page.parent.mkdir()
    page.touch()
    return tmp_path


def test_what_is_new_and_what_changed_is_said(results: Path) -> None:
    said = lines(BEFORE, AFTER, 125.0, results, 0)
    assert said == [
        "3 captures: 1 ok, 1 flagged, 1 rejected.",
        "New: c3.",
        "c2 was ok and is flagged.",
        "two was 'steady' and is 'past its limit'.",
        "  one: Nothing moves.",
        "  two: Limit passed.",
        "Next, two: Replace the stylus.",
        f"Pages: {results}/report/index.html",
        f"Tables: {results}/tables, as a workbook: {results}/export",
        "Time taken: 2 min.",
    ]


def test_of_a_first_run_nothing_is_new(results: Path) -> None:
    said = lines(NOTHING, AFTER, 4.0, results, 0)
    assert not [line for line in said if line.startswith(("New", "No capture", "c2"))]


def test_many_changes_are_counted(results: Path) -> None:
    names = [f"c{number}" for number in range(12)]
    before = State(dict.fromkeys(names, "ok"), {}, {})
    after = State({**dict.fromkeys(names, "flagged"), **dict.fromkeys("abcdefgh", "ok")}, {}, {})
    said = lines(before, after, 4.0, results, 0)
    assert said[1] == "New: a, b, c, d, e and 3 more."
    assert said[7] == "and 7 more changes: see the pages"


def test_a_run_that_failed_says_how_to_go_on(results: Path) -> None:
    said = lines(BEFORE, BEFORE, 4.0, results, 1)
    assert "No capture is new." in said
    assert "the same command goes on from there" in said[-2]
    assert not [line for line in said if line.startswith("Pages")]
