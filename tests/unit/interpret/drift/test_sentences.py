"""What is said of a stylus, and what is advised."""

import re

import numpy as np
import pandas as pd
import pytest

import drift_histories as study
import drift_study
import drift_truth
from grooveledger.interpret.drift import (
    advice_table,
    control_table,
    drift_table,
    odd_captures_table,
    sentences,
    states,
    stylus_states,
)

N = 20
HOURS = 10.0 + 12.0 * np.arange(N)
TREBLE, DISTORTION = "response_10khz_db", "thd_10khz_pct"


def archive(slopes, last=0.0, plays=None, n=N, **conditions):
    """Metrics, captures and styli; one metric an entry of slopes per 100 h, both channels."""
    rng = np.random.default_rng(1)
    parts = []
    for metric, slope in slopes.items():
        values = 3.0 + slope * HOURS[:n] / 100.0 + 0.05 * rng.standard_normal((2, n))
        values[0, -1] += last
        part = study.long_table(values, HOURS[:n], metric=metric, plays=plays, **conditions)
        part["channel"] = part["channel"].map({"h00000": "left", "h00001": "right"})
        part["unit"] = "%" if metric.endswith("pct") else "dB"
        parts.append(part)
    metrics = pd.concat(parts, ignore_index=True)
    captures = metrics.drop_duplicates("capture").assign(status="ok")
    styli = pd.DataFrame({"stylus": ["one"], "cartridge": ["type"], "break_in_hours": [np.nan]})
    return metrics, captures, styli


def state_of(*args, **kwargs):
    metrics, captures, styli = archive(*args, **kwargs)
    drift = drift_table(metrics, captures, styli, {})
    return stylus_states(drift, captures, styli, {}).iloc[0]


def advice_of(*args, **kwargs):
    metrics, captures, styli = archive(*args, **kwargs)
    drift = drift_table(metrics, captures, styli, {})
    control = control_table(metrics, captures, styli, {})
    return list(advice_table(drift, control, captures, styli, {})["advice"])


def test_a_moving_figure_is_told_with_its_limit_and_its_doubt():
    state = state_of({TREBLE: -0.7, "speed_error_pct": 0.0}, plays=np.arange(float(N)))
    assert state["verdict"] == "confounded"
    assert state["due_metric"] == TREBLE
    side = state["due_channel"].capitalize()
    start, now = re.search(r"from (.*) to (.*?)\xa0dB", state["sentence"]).groups()
    low, high = f"{state['due_low']:.0f}", f"{state['due_high']:.0f}"
    assert state["sentence"] == (
        f"{side} channel falling 0.7\N{NO-BREAK SPACE}dB per 100 h at 10 kHz, from {start} to "
        f"{now}\N{NO-BREAK SPACE}dB; limit reached between {low} and {high} h (extrapolated); "
        "wear of stylus and record cannot be separated on this record; "
        "1 other figure moves."
    )


def test_due_is_the_earliest_limit():
    state = state_of({TREBLE: -0.7, DISTORTION: 0.5})
    assert state["due_hours"] == pytest.approx(30.0 + 200.0 / 0.7, rel=0.05)
    assert state["hours_now"] == HOURS[-1]
    assert state["n_captures"] == N


def test_past_the_limit():
    state = state_of({TREBLE: -1.5})
    assert state["verdict"] == "past_limit"
    assert re.search(r"limit passed 7\d h ago \(\d+ to \d+ h\)", state["sentence"])
    assert "microscope" in state["recommendation"]


def test_nothing_moves():
    state = state_of({TREBLE: 0.0})
    assert np.isnan(state["due_hours"])
    assert state["due_metric"] is None
    assert state["sentence"].startswith(
        "No figure moves beyond chance and what is worth reporting from 34 to 238 h; at 10"
    )


def test_too_few():
    assert state_of({TREBLE: 0.0}, n=5)["sentence"] == (
        "Too few captures after break-in: 3 of the 6 days that a trend needs."
    )


def test_a_stylus_without_captures():
    metrics, captures, styli = archive({TREBLE: 0.0})
    styli = pd.concat([styli, styli.assign(stylus="unused")])
    states = stylus_states(drift_table(metrics, captures, styli, {}), captures, styli, {})
    assert list(states["stylus"]) == ["one", "unused"]
    assert states["verdict"].iloc[1] == "too_few"
    assert states["n_captures"].iloc[1] == 0


def test_advice_for_a_confounded_record():
    (copy, repeat) = advice_of({TREBLE: -0.7}, plays=np.arange(float(N)))[:2]
    assert copy.startswith("Capture another, little-played copy of record a, side a")
    assert repeat.startswith("Capture one record side twice on one day")


def test_advice_for_a_warming_room():
    said = advice_of({TREBLE: -0.7}, temperature_c=15.0 + 0.4 * np.arange(N))
    assert any("about 17 \N{DEGREE SIGN}C" in advice for advice in said)


def test_advice_for_a_surprising_newest_capture():
    first = advice_of({TREBLE: 0.0}, last=2.0)[0]
    assert "repeat capture one-00019: 1 figure lies" in first


def test_of_the_newest_hours_every_capture_counts():
    metrics, captures, styli = archive({TREBLE: 0.0}, last=2.0)
    # Another side, captured at the same hours, has a name that comes later.
    other = captures.tail(1).assign(capture="one-99999")
    drift = drift_table(metrics, captures, styli, {})
    control = control_table(metrics, captures, styli, {})
    both = pd.concat([captures, other])
    first = advice_table(drift, control, both, styli, {})["advice"].iloc[0]
    assert "repeat capture one-00019" in first


def test_a_figure_that_few_captures_hold_asks_for_none():
    metrics, captures, styli = archive({TREBLE: -0.7}, plays=np.arange(float(N)))
    rare = metrics[metrics["metric"] == TREBLE].tail(3).assign(metric="imd_pct", channel="left")
    metrics = pd.concat([metrics, rare])
    drift = drift_table(metrics, captures, styli, {})
    control = control_table(metrics, captures, styli, {})
    said = list(advice_table(drift, control, captures, styli, {})["advice"])
    assert said[0].startswith("Capture another, little-played copy")
    assert not [text for text in said if text.startswith("Make")]


def test_a_change_below_what_is_worth_reporting_asks_for_nothing():
    said = advice_of({"separation_1khz_db": -0.06})
    assert not [text for text in said if text.startswith("Capture again")]


def test_advice_has_three_pieces_at_most():
    said = advice_of(
        {TREBLE: -0.7},
        last=2.0,
        plays=np.arange(float(N)),
        temperature_c=15.0 + 0.4 * np.arange(N),
    )
    assert len(said) == 3


def test_turntable_figures_do_not_decide_on_a_stylus():
    state = state_of({TREBLE: 0.0, "speed_error_pct": 0.2})
    assert state["verdict"] == "steady"
    assert state["elsewhere"] == (
        "What also moves, but says nothing of the stylus: speed error (of the turntable)."
    )


def test_a_replaced_stylus_is_retired():
    metrics, captures, styli = archive({TREBLE: -1.5})
    later = styli.assign(stylus="next", fitted_on="2021-01-01")
    styli = pd.concat([styli.assign(fitted_on="2019-12-01"), later])
    states = stylus_states(drift_table(metrics, captures, styli, {}), captures, styli, {})
    old = states[states["stylus"] == "one"].iloc[0]
    assert old["sentence"].startswith("Retired: stylus next was fitted on 2021-01-01. ")
    assert np.isnan(old["due_hours"])
    assert old["recommendation"] == "Do not fit it again."


def test_a_capture_booked_on_the_wrong_stylus_is_named():
    rng = np.random.default_rng(6)
    parts = []
    levels = np.array([[-1.0], [2.0], [5.0], [25.0], [30.0], [-3.0]])
    for stylus, offset in (("one", 0.0), ("two", 1.5)):
        values = levels + offset + 0.05 * rng.standard_normal((6, N))
        parts.append((stylus, values))
    exchanged = parts[1][1][:, 9].copy()
    parts[1][1][:, 9] = parts[0][1][:, 9]
    parts[0][1][:, 9] = exchanged
    tables = [study.long_table(values, HOURS + 30.0, stylus=name) for name, values in parts]
    odd = odd_captures_table(*study.archive_of(*tables), {})
    found = dict(zip(odd["capture"], odd["fits_stylus"], strict=True))
    assert found == {"one-00009": "two", "two-00009": "one"}
    assert "does not fit this stylus, but stylus two" in odd["sentence"].iloc[0]


@pytest.mark.parametrize("seed", range(25))
def test_degenerate_archives_give_tables_and_sentences(seed):
    said = drift_study.interpret(seed)
    assert all(said)
    assert not any("nan" in sentence or "inf" in sentence.split() for sentence in said)


def test_statements_are_true_in_small():
    wrong = [drift_truth.false_statements(seed) for seed in range(1000, 1025)]
    assert sum(map(bool, wrong)) <= 3


@pytest.mark.parametrize(
    ("captures", "begins"),
    [
        (5, "Make 3 more captures on days of their own, spread over the hours: "),
        (7, "Make 1 more capture on another day: "),
    ],
)
def test_advice_for_too_few(captures, begins):
    # The first two lie within the break-in.
    assert advice_of({TREBLE: 0.0}, n=captures)[0] == (
        begins + "a trend needs 6 days after break-in."
    )


def test_six_days_after_break_in_are_enough():
    assert not any("more capture" in advice for advice in advice_of({TREBLE: 0.0}, n=8))


def test_no_advice_where_nothing_is_open():
    day = np.repeat(np.arange(N // 2), 2)
    assert advice_of({TREBLE: 0.0}, day=day) == []


def test_lost_tables_columns_do_not_matter():
    # Tables read back from Parquet hold null text as NaN.
    metrics, captures, styli = archive({TREBLE: -0.7})
    drift = drift_table(metrics, captures, styli, {}).convert_dtypes(dtype_backend="pyarrow")
    assert "falling 0.7" in stylus_states(drift, captures, styli, {})["sentence"].iloc[0]


def test_a_stylus_is_retired_by_the_sheet_or_by_its_successor():
    styli = pd.DataFrame(
        {
            "stylus": ["a", "b", "c"],
            "cartridge": ["one", "two", "two"],
            "fitted_on": ["2020-01-01", "2020-01-01", "2021-01-01"],
            "retired_on": ["2020-06-01", None, None],
        }
    )
    captures = pd.DataFrame({"stylus": ["a", "b"], "captured_at": ["2020-03-01", "2020-04-01"]})
    assert states.retired(captures, styli) == {
        "a": "Retired on 2020-06-01.",
        "b": "Retired: stylus c was fitted on 2021-01-01.",
    }


def row(**given):
    """A drift row of a figure in its eighth day that falls by 0.5 dB per 100 h from 30 to 130 h."""
    made = {
        "stylus": "one", "metric": TREBLE, "channel": "left", "unit": "dB", "group": None,
        "verdict": "drifting", "n": 8, "n_days": 8, "n_break_in": 0,
        "hours_first": 30.0, "hours_last": 130.0, "slope_per_100h": -0.5, "slope_low": -0.62,
        "slope_high": -0.38, "change_observed": -0.5, "least_change": 0.3, "p_adjusted": 0.001,
        "baseline_value": 1.0, "value_now": 0.5, "limit_value": -1.0, "hours_at_limit": 430.0,
        "hours_at_limit_low": 360.0, "hours_at_limit_high": 560.0, "record_part": np.nan,
        "p_record_wear": np.nan, "confounded_with": None, "change_at_hours": np.nan,
        "change_low_hours": np.nan, "change_high_hours": np.nan, "serial_correlation": 0.1,
    }  # fmt: skip
    return {**made, **given}


def plain(text):
    return None if text is None else text.replace("\N{NO-BREAK SPACE}", " ")


def said_of(*rows, due=None, minimum=6):
    return plain(sentences.sentence(list(rows), due, minimum))


@pytest.mark.parametrize(
    ("given", "end"),
    [
        ({}, "limit reached between 360 and 560 h (extrapolated)."),
        ({"hours_last": 560.0}, "limit reached between 360 and 560 h."),
        ({"hours_at_limit_high": np.nan}, "limit not reached before 360 h, when is not yet known."),
        (
            {"hours_at_limit_low": np.nan, "hours_at_limit_high": np.nan},
            "when it reaches its limit is not yet known.",
        ),
        ({"limit_value": np.nan}, "from 1.0 to 0.5 dB."),
    ],
)
def test_when_a_limit_is_reached(given, end):
    assert said_of(row(**given)).endswith(end)


PAST = {"verdict": "past_limit", "hours_at_limit": 100.0, "hours_at_limit_low": 80.0}


@pytest.mark.parametrize(
    ("high", "low", "end"),
    [
        (120.0, 80.0, "limit passed 30 h ago (10 to 50 h)."),
        (140.0, 80.0, "limit passed 30 h ago (0 to 50 h)."),
        (120.0, np.nan, "limit passed 30 h ago, at least 10 h."),
        (np.nan, 80.0, "past its limit."),
    ],
)
def test_how_long_ago_a_limit_was_passed(high, low, end):
    given = {**PAST, "hours_at_limit_high": high, "hours_at_limit_low": low}
    assert said_of(row(**given)).endswith(end)


@pytest.mark.parametrize(("change", "has_rate"), [(-0.31, True), (-0.29, False)])
def test_a_limit_that_a_step_met_has_no_rate_below_the_least_change(change, has_rate):
    said = said_of(row(**PAST, hours_at_limit_high=120.0, change_observed=change))
    assert ("falling 0.5 dB per 100 h" in said) == has_rate


def test_a_rise_a_channel_and_figures_that_are_none_of_a_channel():
    assert said_of(row(slope_per_100h=0.5)).startswith("Left channel rising 0.5 dB per 100 h at 10")
    other = row(metric="separation_1khz_db")
    assert ", left channel, falling 0.5 dB per 100 h" in said_of(other)
    assert "channel" not in said_of(row(metric="balance_db", channel="both"))


@pytest.mark.parametrize(
    ("part", "change", "p", "said"),
    [
        (-0.5, -0.5, 0.024, "of the fall of 1.0 dB, 0.5 dB are the record's"),
        (0.5, 0.5, 0.024, "of the rise of 1.0 dB, 0.5 dB are the record's"),
        (-0.5, -0.5, 0.026, None),
        (-0.5, -0.5, np.nan, None),
        (-0.31, -0.5, 0.01, "of the fall of 0.8 dB, 0.3 dB are the record's"),
        (-0.29, -0.5, 0.01, None),
        (-0.5, 0.1, 0.01, "the record's wear alone changes it by \N{MINUS SIGN}0.5 dB"),
        (-0.5, 0.6, 0.01, "the record's wear alone changes it by \N{MINUS SIGN}0.5 dB"),
        (-0.5, 0.5, 0.01, "the record's wear alone changes it by \N{MINUS SIGN}0.5 dB"),
        (np.nan, -0.5, 0.01, None),
        (-0.5, np.nan, 0.01, None),
        (-0.5, None, 0.01, None),
    ],
)
def test_which_part_of_a_change_is_the_records(part, change, p, said):
    found = sentences.record_part(row(record_part=part, change_observed=change, p_record_wear=p))
    assert plain(found) == said


def test_the_first_that_is_due_leads_and_the_others_are_counted():
    rows = [row(p_adjusted=0.02), row(metric=DISTORTION, unit="%", p_adjusted=0.001), row()]
    assert said_of(*rows).endswith("; 2 other figures move.")
    assert said_of(*rows[:2]).endswith("; 1 other figure moves.")
    assert said_of(*rows[:2], due=rows[0]).startswith("Left channel falling")
    assert not said_of(*rows[:2]).startswith("Left channel falling")
    assert "other" not in said_of(rows[0], row(verdict="steady"))


@pytest.mark.parametrize(
    ("low", "high", "end"),
    [
        # 0.62 dB per 100 h, rounded up; over 100 h that is less than the 2 dB to the limit.
        (-0.62, 0.38, "at 10 kHz by less than 0.7 dB per 100 h."),
        (-0.1, 0.6, "at 10 kHz by less than 0.6 dB per 100 h."),
        (-2.1, 0.0, "from 30 to 130 h."),
        (-1.9, 0.0, "at 10 kHz by less than 1.9 dB per 100 h."),
    ],
)
def test_how_well_it_is_known_that_nothing_moves(low, high, end):
    steady = row(verdict="steady", slope_low=low, slope_high=high)
    assert said_of(steady).endswith(end)
    other = row(verdict="steady", metric=DISTORTION, hours_first=20.0, hours_last=140.0)
    assert said_of(other).endswith("from 20 to 140 h.")


def test_where_figures_change_suddenly():
    stepped = {"change_at_hours": 95.0, "change_low_hours": 90.0, "change_high_hours": 100.0}
    one = row(verdict="steady", **stepped)
    assert said_of(one).endswith("; response at 10 kHz changed suddenly between 90 and 100 h.")
    bare = {**one, "change_low_hours": np.nan}
    assert said_of(bare).endswith("; response at 10 kHz changed suddenly at about 95 h.")
    later = row(verdict="steady", **{**stepped, "change_at_hours": 60.0})
    assert "2 figures changed suddenly between 90 and 100 h" in said_of(later, one, one)


@pytest.mark.parametrize(("strength", "is_said"), [(0.34, False), (0.36, True)])
def test_days_that_may_be_alike(strength, is_said):
    widened = "neighbouring days may be alike (correlation up to 0.4), which widens every interval"
    assert (widened in said_of(row(serial_correlation=strength), row())) == is_said
    few = row(verdict="too_few", serial_correlation=strength)
    assert ("8 days of captures count as few" in said_of(few)) == is_said


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"n_days": 5}, "Too few captures after break-in: 5 of the 6 days that a trend needs."),
        ({"n_days": 0, "n": 3}, "Too few captures after break-in: 3 of the 6 days"),
        ({"n_days": 0, "n": 0, "n_break_in": 4}, "All 4 captures lie within the break-in"),
        ({"n_days": 0, "n": 0}, "Too few captures after break-in: 0 of the 6 days"),
        ({"hours_last": 49.9}, "The captures after break-in span 19 h: a trend needs 20 h."),
        ({"hours_last": 50.0}, "The captures after break-in cannot yet separate a trend"),
        ({"n_days": 6}, "The captures after break-in cannot yet separate a trend"),
    ],
)
def test_why_nothing_can_be_said_yet(given, said):
    assert said_of(row(verdict="too_few", **given)).startswith(said)


def test_how_many_figures_move_and_what_moves_elsewhere():
    rows = [row(), row(metric="response_15khz_db"), row(metric=DISTORTION), row(verdict="steady")]
    assert sentences.evidence(rows) == (
        "3 of 4 figures of tip and suspension move: response (2), distortion (1)."
    )
    assert sentences.evidence([rows[0], rows[3]]).startswith("1 of 2 figures of tip and suspension")
    assert sentences.evidence([rows[0], rows[3]]).endswith("moves: response (1).")
    assert sentences.evidence(rows[3:]) is None
    two = [row(metric=name, group="turntable") for name in ("speed_error_pct", "drift_pct_per_min")]
    assert sentences.elsewhere(two).startswith("What also move, but")
    assert sentences.elsewhere(two[:1]).startswith("What also moves, but")
    assert sentences.elsewhere([{**two[0], "verdict": "steady"}, row()]) is None
