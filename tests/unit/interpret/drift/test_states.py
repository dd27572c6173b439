"""How a stylus stands: due, verdict, retirement and what to do with it."""

import numpy as np
import pandas as pd
import pytest

from grooveledger.interpret.drift import states
from grooveledger.interpret.drift.states import records, retired

STYLI = pd.DataFrame({
    "stylus": ["one", "two", "three"], "cartridge": ["type", "type", "other"],
    "fitted_on": ["2024-01-01", "2024-06-01", "2024-06-01"], "retired_on": [None, None, None],
})  # fmt: skip


def captures(**newest):
    rows = [
        {"stylus": stylus, "captured_at": f"{date}T10:00", "status": "ok", "stylus_hours": 10.0}
        for stylus, dates in newest.items()
        for date in dates.split()
    ]
    return pd.DataFrame(rows)


def test_a_stylus_whose_successor_plays_is_retired():
    known = retired(captures(one="2024-02-01 2024-05-31", two="2024-06-02"), STYLI)
    assert known == {"one": "Retired: stylus two was fitted on 2024-06-01."}


@pytest.mark.parametrize("newest", ["2024-06-01", "2024-07-01"])
def test_a_stylus_that_plays_on_after_another_was_fitted_is_not(newest):
    assert retired(captures(one=newest), STYLI) == {}


def test_the_sheets_date_comes_before_what_follows_from_the_others():
    sheet = STYLI.assign(retired_on=["2024-03-04", None, ""])
    assert retired(captures(one="2024-02-01"), sheet) == {"one": "Retired on 2024-03-04."}
    # Nor is a stylus without any capture retired by another.
    assert retired(captures(two="2024-07-01"), STYLI) == {}
    assert retired(captures(one="2024-02-01"), STYLI.drop(columns="fitted_on")) == {}


def test_the_first_of_several_later_styli_is_named():
    sheet = pd.concat([
        STYLI,
        pd.DataFrame({"stylus": ["four"], "cartridge": ["type"], "fitted_on": ["2024-03-01"]}),
    ])  # fmt: skip
    assert retired(captures(one="2024-02-01"), sheet)["one"].endswith(
        "four was fitted on 2024-03-01."
    )


def row(**given):
    """A drift row with what a state is made of."""
    made = {
        "stylus": "one", "metric": "response_10khz_db", "channel": "left", "verdict": "drifting",
        "hours_at_limit": 300.0, "hours_at_limit_low": 250.0, "hours_at_limit_high": 390.0,
        "break_in_hours": 0.0,
    }  # fmt: skip
    return {**made, **given}


@pytest.fixture
def plain_sentences(monkeypatch):
    """Sentences have tests of their own."""
    monkeypatch.setattr(states.sentences, "of_stylus", lambda rows: rows)
    monkeypatch.setattr(
        states.sentences, "sentence", lambda rows, lead, least: f"lead {lead and lead['channel']}"
    )
    monkeypatch.setattr(states.sentences, "evidence", lambda rows: None)
    monkeypatch.setattr(states.sentences, "elsewhere", lambda rows: None)


def state(rows, hours=(10.0, 200.0), replaced=None):
    return states._state("one", rows, pd.Series(hours, dtype=float), 6, replaced)


@pytest.mark.usefixtures("plain_sentences")
def test_due_is_the_earliest_limit_of_what_moves():
    made = state([
        row(), row(channel="right", hours_at_limit=280.0), row(hours_at_limit=np.nan),
        row(verdict="steady", hours_at_limit=20.0),
    ])  # fmt: skip
    assert (made["due_hours"], made["due_channel"], made["verdict"]) == (280.0, "right", "drifting")
    assert (made["due_low"], made["due_high"]) == (250.0, 390.0)
    assert (made["n_moving"], made["hours_now"], made["n_captures"]) == (3, 200.0, 2)
    assert made["sentence"] == "lead right"


@pytest.mark.usefixtures("plain_sentences")
def test_a_passed_limit_comes_before_an_earlier_one_ahead():
    made = state([row(hours_at_limit=100.0), row(verdict="past_limit", channel="right")])
    assert (made["due_hours"], made["due_channel"], made["verdict"]) == (
        300.0,
        "right",
        "past_limit",
    )
    assert made["recommendation"].startswith("Look at the tip under a microscope before")


@pytest.mark.usefixtures("plain_sentences")
def test_a_retired_stylus_is_not_due():
    made = state([row(verdict="past_limit")], replaced="Retired on 2024-03-04.")
    assert np.isnan(made["due_hours"])
    assert made["due_metric"] is None
    assert made["sentence"].startswith("Retired on 2024-03-04. ")
    assert made["recommendation"] == "Do not fit it again."
    assert state([row()], replaced="Retired.")["recommendation"] is None


@pytest.mark.usefixtures("plain_sentences")
@pytest.mark.parametrize(("verdict", "begins"), [
    ("drifting", "It can play on; look at the tip under a microscope before 250 h."),
    ("confounded", "It can play on; find out first"), ("steady", "It can play on."),
])  # fmt: skip
def test_what_to_do_follows_from_the_verdict(verdict, begins):
    assert state([row(verdict=verdict)])["recommendation"].startswith(begins)
    assert state([row(verdict="too_few")])["recommendation"] is None


@pytest.mark.usefixtures("plain_sentences")
def test_captures_without_hours_or_none_at_all_are_said():
    assert state([], hours=())["sentence"] == "No capture of this stylus was measured."
    assert state([], hours=())["verdict"] == "too_few"
    unknown = state([], hours=(np.nan,))
    assert unknown["sentence"].startswith("The hours of all its captures are unknown")
    assert np.isnan(unknown["hours_now"])
    assert unknown["n_captures"] == 1


@pytest.mark.usefixtures("plain_sentences")
def test_the_first_break_in_beyond_zero_is_stated():
    rows = [row(), row(break_in_hours=None), row(break_in_hours=0.5), row(break_in_hours=7.0)]
    assert state(rows)["break_in_hours"] == 0.5
    assert np.isnan(state(rows[:2])["break_in_hours"])


def test_records_tell_missing_text_from_missing_numbers():
    table = pd.DataFrame(
        {"metric": ["a", None], "at": pd.array([1.5, None], "Float64"), "n": [1, 2]}
    )
    first, second = records(table)
    assert first == {"metric": "a", "at": 1.5, "n": 1}
    assert second["metric"] is None
    assert second["n"] == 2


def test_odd_captures_of_a_stylus_are_joined(monkeypatch):
    monkeypatch.setattr(states, "_state", lambda *_: {"stylus": _[0], "odd_captures": None})
    odd = pd.DataFrame({"stylus": ["one", "one", "three"], "sentence": ["A.", "B.", "C."]})
    made = states.stylus_states(
        pd.DataFrame({"stylus": []}), captures(one="2024-02-01"), STYLI, {}, odd
    ).set_index("stylus")
    assert made["odd_captures"]["one"] == "A. B."
    assert pd.isna(made["odd_captures"]["two"])
    assert made["odd_captures"]["three"] == "C."
    assert list(made["cartridge"]) == ["type", "other", "type"]
