"""Which captures are advised: just inside and outside of what asks for them."""

import numpy as np
import pandas as pd
import pytest

from grooveledger.interpret.drift import advice
from grooveledger.interpret.drift.settings import Settings

OWN = pd.DataFrame({
    "capture": ["c1", "c2", "c3", "c4"], "stylus_hours": [10.0, 50.0, 90.0, 130.0],
    "chain": ["bench", "bench", "desk", "desk"], "record": ["old", "old", "old", "old"],
    "side": ["a", "b", "a", "a"], "temperature_c": [18.0, 20.0, 23.0, np.nan],
})  # fmt: skip


def row(**given):
    """A figure of tip and suspension that is steady and repeats."""
    made = {
        "metric": "response_10khz_db", "channel": "left", "verdict": "steady", "group": "tip",
        "n": 8, "n_break_in": 0, "n_days": 8.0, "hours_first": 10.0, "hours_last": 130.0,
        "confounded_with": None, "repeatability_sd": 0.1, "hours_at_limit": np.nan,
        "hours_at_limit_low": np.nan, "hours_at_limit_high": np.nan,
    }  # fmt: skip
    return {**made, **given}


@pytest.fixture(autouse=True)
def all_figures_count(monkeypatch):
    """Which figures speak of the stylus is the sentences' business."""
    monkeypatch.setattr(advice, "of_stylus", lambda rows: rows)


def advised(rows, flagged=(), own=OWN, **settings):
    return list(advice._of_stylus(list(rows), list(flagged), own, Settings(**settings)))


def test_a_steady_stylus_whose_repeatability_is_known_needs_nothing():
    assert advised([row()]) == []
    ((text, count),) = advised([row(repeatability_sd=np.nan)] * 2)
    assert text.startswith("Capture one record side twice on one day")
    assert count == 2
    assert advised([row(repeatability_sd=np.nan), row()]) == []


def test_only_the_newest_capture_is_repeated():
    flagged = [{"capture": name} for name in ("c3", "c4", "c4")]
    ((text, count),) = advised([row()], flagged)
    assert "repeat capture c4: 2 figures lie outside" in text
    assert count == 2
    ((text, _),) = advised([row()], flagged[1:2])
    assert "1 figure lies outside" in text
    assert advised([row()], flagged[:1]) == []


@pytest.mark.parametrize(("days", "said"), [
    (4.0, "Make 2 more captures on days of their own"), (5.0, "Make 1 more capture on another day"),
])  # fmt: skip
def test_days_that_a_trend_still_needs(days, said):
    few = row(verdict="too_few", n_days=days)
    ((text, count),) = advised([few])
    assert text.startswith(said)
    assert "a trend needs 6 days" in text
    assert count == 1
    # Half of the figures is not most of them, and a bound gains nothing from more captures.
    assert advised([few, row()]) == []
    assert advised([row(verdict="too_few", n=0, n_days=0.0)]) == []


def test_days_too_close_together():
    span = advice.MINIMUM_SPAN_HOURS
    close = row(verdict="too_few", n_days=6.0, hours_first=100.0)
    ((text, _),) = advised([{**close, "hours_last": 100.0 + 0.99 * span}])
    assert text.startswith(f"Capture again after {span:.0f} h more of play")
    assert advised([{**close, "hours_last": 100.0 + span}]) == []


def drifting(at, low, high, **given):
    return row(verdict="drifting", hours_at_limit=at, hours_at_limit_low=low,
               hours_at_limit_high=high, **given)  # fmt: skip


def test_a_limit_known_roughly_is_narrowed_a_third_of_the_way_to_it():
    ((text, count),) = advised([drifting(430.0, 380.0, 490.0), drifting(500.0, 499.0, 501.0)])
    assert text.startswith("Capture again at about 230 h")
    assert count == 1


@pytest.mark.parametrize(("low", "high", "is_wide"), [
    (360.0, 460.0, False),  # A quarter of the hours at the limit, exactly.
    (360.0, 461.0, True), (360.0, np.nan, True), (np.nan, 100.5, True), (np.nan, 99.5, False),
])  # fmt: skip
def test_what_counts_as_wide(low, high, is_wide):
    assert len(advised([drifting(400.0, low, high)])) == is_wide


def test_a_limit_that_is_past_is_not_narrowed():
    assert advised([drifting(130.0, 60.0, 200.0)]) == []
    assert len(advised([drifting(131.0, 60.0, 200.0)])) == 1


def confounded(name):
    return row(verdict="confounded", confounded_with=name)


def test_what_would_separate_the_causes():
    ((record, count),) = advised([confounded(advice.RECORD_PLAYS)] * 3)
    assert "little-played copy of record old, side a, now" in record
    assert count == 3
    ((warmth, _),) = advised([confounded(advice.TEMPERATURE)])
    # The median of the first half of the three that are known: of the first alone.
    assert "at about 18 \N{DEGREE SIGN}C" in warmth
    ((chain, _),) = advised([confounded(advice.CHAIN)])
    assert chain.startswith("If chain bench is still to be had")
    # There is no other record to go back to.
    assert advised([confounded(advice.RECORD)]) == []
    ((play, _),) = advised([confounded(advice.RECORD)], own=OWN.assign(record=[*"xyzz"]))
    assert play.startswith("Play record y again")


def test_at_most_three_pieces_in_order_and_none_for_a_retired_stylus():
    captures = OWN.assign(stylus="one", status="ok", captured_at="2024-01-01")
    styli = pd.DataFrame({"stylus": ["one", "none"], "cartridge": ["type", "type"]})
    names = (advice.RECORD_PLAYS, advice.CHAIN, advice.TEMPERATURE)
    rows = [{**confounded(name), "stylus": "one"} for name in names]
    drift = pd.DataFrame([*rows, {**drifting(430.0, 1.0, 900.0), "stylus": "one"}])
    control = pd.DataFrame({"stylus": ["one"], "capture": ["c4"], "flagged": [True]})
    made = advice.advice_table(drift, control, captures, styli, {})
    assert list(made["priority"]) == [1, 2, 3]
    assert [text.split()[0] for text in made["advice"]] == ["Look", "Capture", "If"]
    calm = advice.advice_table(drift, control.assign(flagged=False), captures, styli, {})
    assert [text.split()[0] for text in calm["advice"]] == ["Capture", "If", "Repeat"]
    retired = styli.assign(retired_on=["2024-02-01", None])
    assert not len(advice.advice_table(drift, control, captures, retired, {}))
    lost = captures.assign(status="rejected")
    assert not len(advice.advice_table(drift, control, lost, styli, {}))


@pytest.mark.parametrize(
    ("n", "n_break_in", "is_measured"),
    [(0, 0, False), (None, None, False), (3, 0, True), (0, 3, True), (3, 3, True)],
)
def test_a_figure_is_measured_whether_in_breaking_in_or_after(n, n_break_in, is_measured):
    assert advice._measured(row(n=n, n_break_in=n_break_in)) is is_measured
