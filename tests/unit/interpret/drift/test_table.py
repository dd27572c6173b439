"""The drift table as a whole: what it says of histories whose truth is known.

The full studies, with thousands of histories, are in scripts/studies/drift_study.py; here are
small ones.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

import drift_histories as study
from grooveledger.interpret.drift import drift_table, settings
from grooveledger.schemas.interpret import DRIFT

SCHEMA = Path(__file__).parents[4] / "workflow" / "schemas" / "blocks" / "drift.yaml"
RNG = np.random.default_rng(11)
N = 30
HOURS = study.BREAK_IN_HOURS + 10.0 * np.arange(N)
DRAWN = study.SCATTER_DB * RNG.standard_normal(N)
# Scatter whose own trend by chance is taken out: one draw in twenty would have a significant one.
QUIET = DRAWN - np.polyval(np.polyfit(HOURS, DRAWN, 1), HOURS)
WORN = -0.5 * (HOURS - study.BREAK_IN_HOURS) / 100.0 + QUIET


def row_of(values, hours=HOURS, **conditions):
    return study.drift_of(study.long_table(np.atleast_2d(values), hours, **conditions)).iloc[0]


def test_columns_are_the_declared_ones():
    found = study.drift_of(study.long_table(WORN[None], HOURS))
    assert tuple(found.columns) == DRIFT.names


def test_a_falling_treble():
    row = row_of(WORN)
    assert row["verdict"] == "drifting"
    assert row["slope_low"] < -0.5 < row["slope_high"]
    assert row["limit_value"] == pytest.approx(row["baseline_value"] - 2.0)
    assert row["hours_at_limit"] == pytest.approx(30.0 - 200.0 / row["slope_per_100h"])
    # Wear may quicken or slow down: the interval holds that of the line alone.
    assert row["hours_at_limit_low"] <= 30.01 - 200.0 / row["slope_low"]
    assert row["hours_at_limit_high"] >= 29.99 - 200.0 / row["slope_high"]
    assert row["hours_at_limit_high"] <= 2.0 * HOURS[-1]
    assert row["p_trend"] < 1e-6
    assert np.isnan(row["change_at_hours"])
    assert row["confounded_with"] is None


def test_a_steady_treble():
    row = row_of(QUIET)
    assert row["verdict"] == "steady"
    assert np.isnan(row["hours_at_limit_high"])


@pytest.mark.parametrize("value", [4.2, -23.1, 1e-3])
def test_figures_that_are_all_the_same_are_steady(value):
    hours = np.arange(70.0)
    row = row_of(np.full(len(hours), value), hours)
    assert row["verdict"] == "steady"
    assert row["slope_per_100h"] == pytest.approx(0.0, abs=1e-9)


def test_a_worn_one():
    row = row_of(2.0 * WORN)
    assert row["verdict"] == "past_limit"
    assert row["hours_at_limit"] < HOURS[-1]


def test_too_few():
    row = row_of(WORN[:5], HOURS[:5])
    assert row["verdict"] == "too_few"
    assert row["n"] == 5
    assert np.isnan(row["slope_per_100h"])


def test_break_in_is_left_out_and_counted():
    hours = np.concatenate([[0.0, 10.0, 20.0], HOURS])
    row = row_of(np.concatenate([[5.0, 3.0, 1.0], QUIET]), hours)
    assert (row["n"], row["n_break_in"]) == (N, 3)
    assert row["verdict"] == "steady"


def test_a_stylus_may_have_its_own_break_in():
    metrics = study.long_table(WORN[None], HOURS)
    captures = pd.DataFrame({"capture": metrics["capture"], "status": "ok"})
    styli = pd.DataFrame({"stylus": ["one"], "break_in_hours": [100.0]})
    row = drift_table(metrics, captures, styli, {}).iloc[0]
    assert row["hours_first"] == 100.0
    assert row["n_break_in"] == 7


def test_one_record_is_named_as_confounded():
    row = row_of(WORN, plays=np.arange(float(N)))
    assert row["confounded_with"] == "record_plays"
    assert row["verdict"] == "confounded"
    assert np.isnan(row["record_wear_per_100_plays"])


def test_a_bound_is_no_figure():
    metrics = study.long_table(WORN[None], HOURS)
    metrics.loc[[4, 5], "limited"] = True
    metrics.loc[[4, 5], "value"] = -90.0
    row = study.drift_of(metrics).iloc[0]
    assert (row["n"], row["n_limited"]) == (N - 2, 2)
    assert row["slope_per_100h"] == pytest.approx(-0.5, abs=0.1)


def test_null_is_left_out():
    values = WORN.copy()
    values[3] = np.nan
    assert row_of(values)["n"] == N - 1


def test_the_innermost_track_counts_and_is_named():
    first = study.long_table(WORN[None], HOURS).assign(track=7, track_position=0)
    second = study.long_table(WORN[None] + 3.0, HOURS).assign(track=2, track_position=1)
    row = study.drift_of(second, first).iloc[0]
    assert row["baseline_value"] == pytest.approx(3.0, abs=0.2)
    assert row["track"] == "2"
    # One that half of the captures lack is not followed.
    row = study.drift_of(second.iloc[::2], first).iloc[0]
    assert row["track"] == "7"


def test_rejected_captures_do_not_count():
    metrics = study.long_table(WORN[None], HOURS)
    captures = pd.DataFrame({"capture": metrics["capture"], "status": ["rejected"] + ["ok"] * 29})
    styli = pd.DataFrame({"stylus": ["one"], "break_in_hours": np.nan})
    assert drift_table(metrics, captures, styli, {}).iloc[0]["n"] == 29


def test_order_of_the_rows_does_not_matter():
    metrics = study.long_table(np.stack([WORN, QUIET]), HOURS, plays=np.arange(float(N)))
    shuffled = metrics.sample(frac=1.0, random_state=1)
    pd.testing.assert_frame_equal(study.drift_of(metrics), study.drift_of(shuffled))


def test_odd_captures_are_counted_and_do_no_harm():
    values = WORN.copy()
    values[[4, 17, 28]] += 1.0
    row = row_of(values)
    assert row["n_odd"] == 3
    assert row["slope_per_100h"] == pytest.approx(row_of(WORN)["slope_per_100h"], abs=0.03)


def test_a_step_is_found_beside_a_slope():
    values = WORN - 0.6 * (HOURS >= 150.0)
    row = row_of(values)
    assert row["change_at_hours"] == 145.0
    assert row["change_value"] == pytest.approx(-0.6, abs=0.2)
    assert row["slope_low"] < -0.5 < row["slope_high"]


def test_a_noted_change_of_chain_is_no_step():
    chain = np.where(HOURS >= 150.0, "new", "old").astype(object)
    row = row_of(WORN - 0.6 * (chain == "new"), chain=chain)
    assert np.isnan(row["change_at_hours"])
    assert row["slope_per_100h"] == pytest.approx(-0.5, abs=0.15)


def test_temperature_is_taken_out():
    temperature = 20.0 + 4.0 * np.sin(np.arange(N))
    row = row_of(WORN - 0.05 * (temperature - 20.0), temperature_c=temperature)
    assert row["temperature_per_c"] == pytest.approx(-0.05, abs=0.02)
    assert row["slope_per_100h"] == pytest.approx(-0.5, abs=0.1)


def test_coverage_in_small():
    # 93 to 97 % is shown by the studies; 500 histories allow for three standard errors.
    for kind in ("normal", "t3"):
        for n in (8, 30):
            rng = np.random.default_rng(n)
            values = study.scatter(rng, kind, (500, n))
            rows = study.drift_of(study.long_table(values, 30.0 + 10.0 * np.arange(n)))
            assert 0.92 < study.holds(rows, 0.0) < 0.98
            assert np.mean(rows["hours_at_limit_high"].isna()) > 0.93


def test_ten_sigma_bias_in_small():
    rng = np.random.default_rng(1)
    values = -0.5 * (HOURS - 30.0) / 100.0 + study.scatter(rng, "normal", (300, N))
    for series in values:
        series[rng.choice(N, N // 10, replace=False)] += 10.0 * study.SCATTER_DB
    rows = study.drift_of(study.long_table(values, HOURS))
    assert np.mean(rows["slope_per_100h"]) == pytest.approx(-0.5, rel=0.02)


def test_steps_in_small():
    rng = np.random.default_rng(2)
    hours = 30.0 + 10.0 * np.arange(60)
    quiet = study.scatter(rng, "normal", (300, 60))
    alarms = study.drift_of(study.long_table(quiet, hours))["change_at_hours"].notna()
    assert not alarms.any()
    moved = quiet + 3.0 * study.SCATTER_DB * (np.arange(60) >= 25)
    # One page of 300 figures that all change: a bend is allowed for, and so is their number.
    rows = study.drift_of(study.long_table(moved, hours))
    seen = rows[rows["change_at_hours"].notna()]
    assert len(seen) > 90
    held = (seen["change_low_hours"] <= 275.0) & (seen["change_high_hours"] >= 275.0)
    assert held.mean() > 0.95
    assert rows["serial_correlation"].iloc[0] < 0.1


@pytest.mark.parametrize("scene", [study.second_copy, study.reference_stylus])
def test_record_wear_is_told_apart(scene):
    rows = study.drift_of(*scene(np.random.default_rng(3), 0.0, -3.0, 60))
    rows = rows[rows["stylus"] == "one"]
    told = rows["record_wear_per_100_plays"].notna()
    assert told.mean() > 0.9
    assert rows.loc[told, "record_wear_per_100_plays"].mean() == pytest.approx(-3.0, abs=0.1)
    assert abs(rows.loc[told, "slope_per_100h"].mean()) < 0.05
    assert np.mean(rows["verdict"] == "drifting") < 0.05


def test_who_told_record_wear_apart_is_named():
    rows = study.drift_of(*study.reference_stylus(np.random.default_rng(3), -0.5, 0.0, 3))
    assert set(rows.loc[rows["stylus"] == "one", "separated_by"]) == {"two"}


@pytest.mark.parametrize("scene", [study.one_record, study.successor])
def test_record_wear_is_flagged_where_nothing_tells_it_apart(scene):
    rows = study.drift_of(*scene(np.random.default_rng(4), 0.0, -3.0, 20))
    assert set(rows["confounded_with"]) == {"record_plays"}
    assert rows["record_wear_per_100_plays"].isna().all()
    assert set(rows["verdict"]) <= {"confounded", "steady"}


def test_repeatability_is_that_of_one_day():
    rng = np.random.default_rng(5)
    day = np.repeat(np.arange(15), 2)
    evening = np.repeat(0.3 * rng.standard_normal((200, 15)), 2, axis=1)
    values = evening + 0.1 * rng.standard_normal((200, N))
    rows = study.drift_of(study.long_table(values, 30.0 + 10.0 * day, day=day))
    assert np.sqrt(np.mean(rows["repeatability_sd"] ** 2)) == pytest.approx(0.1, rel=0.05)
    assert rows["residual_sd"].mean() == pytest.approx(np.hypot(0.1, 0.3), rel=0.1)
    # Thirty captures, yet hardly more than fifteen witnesses.
    assert study.holds(rows, 0.0) > 0.89


def test_styli_of_one_type_lend_each_other_their_slopes():
    tables = [
        study.long_table(slope * WORN[None, ::step], HOURS[::step], stylus=name)
        for name, slope, step in (("one", 1.0, 1), ("two", 1.0, 1), ("three", 1.1, 4))
    ]
    rows = study.drift_of(*tables).set_index("stylus")
    pooled = rows["slope_pooled_per_100h"]
    assert pooled.between(rows["slope_per_100h"].min(), rows["slope_per_100h"].max()).all()
    width = rows["slope_pooled_high"] - rows["slope_pooled_low"]
    assert width["three"] < (rows["slope_high"] - rows["slope_low"])["three"]


def test_an_empty_archive_gives_an_empty_table():
    metrics = study.long_table(WORN[None], HOURS).iloc[:0]
    captures = pd.DataFrame({"capture": [], "status": []})
    styli = pd.DataFrame({"stylus": ["one"], "break_in_hours": np.nan})
    found = drift_table(metrics, captures, styli, {})
    assert tuple(found.columns) == DRIFT.names
    assert found.empty


def test_defaults_are_the_schemas():
    schema = yaml.safe_load(SCHEMA.read_text(encoding="utf-8"))["properties"]
    defaults = settings.Settings()._asdict()
    assert {name: key["default"] for name, key in schema.items()} == defaults


def test_a_named_limit_replaces_its_own_default_alone():
    chosen = settings.Settings.from_mapping(
        {"limits": {"response_10khz_db": {"minimum": -3.0}, "imd_pct": None}}
    )
    assert chosen.limits["response_10khz_db"] == {"minimum": -3.0}
    assert "imd_pct" not in chosen.limits
    assert chosen.limits["separation_1khz_db"] == {"falls_by": 6.0}


def test_what_is_below_the_least_change_is_steady_however_sure():
    tiny = 1e-3 * WORN
    row = row_of(tiny)
    assert row["p_trend"] < 1e-6
    assert row["verdict"] == "steady"
    drift = study.drift_of(
        study.long_table(tiny[None], HOURS), least_changes={"response_10khz_db": None}
    )
    assert drift["verdict"].iloc[0] == "drifting"


def test_a_short_span_has_no_trend():
    row = row_of(WORN[:8], 150.6 + 0.2 * np.arange(8.0))
    assert row["verdict"] == "too_few"
    assert np.isnan(row["slope_per_100h"])


def test_unknown_hours_are_unknown():
    hours = HOURS.copy()
    hours[3] = np.nan
    assert row_of(WORN, hours)["n"] == N - 1


def test_a_limit_that_a_step_meets_lies_between_captures():
    row = row_of(QUIET - 3.0 * (HOURS >= 150.0))
    assert row["verdict"] == "past_limit"
    assert (row["hours_at_limit_low"], row["hours_at_limit_high"]) == (140.0, 150.0)


def test_nothing_is_foretold_beyond_twice_the_observed_hours():
    row = row_of(0.4 * WORN)
    assert row["verdict"] == "drifting"
    assert np.isnan(row["hours_at_limit_high"])
    assert row["hours_at_limit_low"] <= 2.0 * HOURS[-1]


def test_settling_that_goes_on_longer_is_seen():
    hours = 30.0 + 4.0 * np.arange(40)
    decay = 2.0 * np.exp(-(hours - 30.0) / 12.0)
    values = decay + 0.05 * np.random.default_rng(4).standard_normal((5, 40))
    rows = study.drift_of(study.long_table(values, hours))
    assert rows["break_in_hours"].iloc[0] >= 45.0
    assert (rows["verdict"] == "steady").all()


def test_copies_of_a_record_are_told_apart():
    """A second copy that reads 1 dB less, played every other time."""
    hours = 30.0 + 10.0 * np.arange(16)
    values = 0.05 * np.random.default_rng(5).standard_normal((2, 16))
    second = np.arange(16) % 2 == 1
    values[:, second] -= 1.0
    table = study.long_table(values, hours)
    table["copy"] = np.tile(np.where(second, "new", "old"), 2)
    rows = study.drift_of(table)
    assert (rows["residual_sd"] < 0.1).all()
    assert (rows["verdict"] == "steady").all()
    assert study.drift_of(table.drop(columns="copy"))["residual_sd"].min() > 0.3


def test_a_figure_that_comes_in_steps_does_not_change_suddenly_by_one():
    """Amplitudes of a record's bands: one band is lost between the tenth and eleventh capture."""
    one = np.where(np.arange(20) < 10, 80.0, 70.0)
    hours = 30.0 + 10.0 * np.arange(20)
    after = study.drift_of(
        study.long_table(np.array([one, one]), hours, metric="tracked_amplitude_um")
    )
    assert after["change_at_hours"].isna().all()
    two = np.where(np.arange(20) < 10, 80.0, 50.0)
    two[3] = 70.0
    row = row_of(two, hours, metric="tracked_amplitude_um")
    assert row["change_low_hours"] == 120.0
    assert row["change_high_hours"] == 130.0


def test_repeats_do_not_narrow_a_slopes_interval():
    """Days differ by more than repeats show: the scatter about the fit alone says how much."""
    table = study.long_table(WORN[None], HOURS).assign(scatter=0.001)
    row, alone = study.drift_of(table).iloc[0], row_of(WORN)
    assert row["repeatability_sd"] == 0.001
    assert (row["slope_low"], row["slope_high"]) == (alone["slope_low"], alone["slope_high"])
