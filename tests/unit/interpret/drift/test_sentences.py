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
