"""Record wear separated from stylus wear by other styli: exact histories, and what stays open."""

import numpy as np
import pytest
from scipy import stats

import drift_histories as study

N = 20
HOURS = 30.0 + 10.0 * np.arange(N)
#: A second stylus of the type that is kept for test captures: it plays the record as often.
SPARED = 30.0 + 2.0 * np.arange(N)
PLAYS = 2.0 * np.arange(N)


def quiet(shape, seed=0, sd=0.01):
    return sd * np.random.default_rng(seed).standard_normal(shape)


def wear(hours, plays, hour, play):
    return np.atleast_2d(study.worn(hours, plays, hour, play))


def styli(hour, play, other_hour=None, count=1, sd=0.01, **facts):
    """Return two styli of one type on one record, each figure with its own scatter."""
    other_hour = hour if other_hour is None else other_hour
    first = wear(HOURS, PLAYS, hour, play) + quiet((count, N), 1, sd)
    second = wear(SPARED, PLAYS + 1.0, other_hour, play) + 0.7 + quiet((count, N), 2, sd)
    return [
        study.long_table(first, HOURS, plays=PLAYS),
        study.long_table(second, SPARED, plays=PLAYS + 1.0, stylus="two").assign(**facts),
    ]


def rows_of(*tables, **settings):
    return study.drift_of(*tables, **settings).set_index("stylus")


def test_wear_per_hour_and_per_play_are_those_of_both_styli_together():
    rows = rows_of(*styli(-0.6, -2.0))
    one = rows.loc["one"]
    assert one["separated_by"] == "two"
    assert one["slope_per_100h"] == pytest.approx(-0.6, abs=0.03)
    assert one["record_wear_per_100_plays"] == pytest.approx(-2.0, abs=0.1)
    assert one["record_wear_low"] < -2.0 < one["record_wear_high"]
    assert one["record_part"] == pytest.approx(-2.0 * np.ptp(PLAYS) / 100.0, abs=0.05)
    assert one["change_observed"] == pytest.approx(-0.6 * np.ptp(HOURS) / 100.0, abs=0.06)
    assert one["confounded_with"] is None
    assert one["verdict"] == "drifting"
    # The forecast was that of stylus and record together.
    assert np.isnan(one["hours_at_limit"])
    assert rows.loc["two"]["separated_by"] == "one"


def test_a_record_that_wears_alone_leaves_the_stylus_steady():
    one = rows_of(*styli(0.0, -4.0)).loc["one"]
    assert one["verdict"] == "steady"
    assert one["record_wear_per_100_plays"] == pytest.approx(-4.0, abs=0.1)
    assert one["p_record_wear"] < 0.001


def test_a_stylus_of_another_type_is_no_help():
    one = rows_of(*styli(-0.6, -2.0, cartridge="other")).loc["one"]
    assert one["separated_by"] is None
    assert one["confounded_with"] == "record_plays"
    assert one["verdict"] == "confounded"
    assert np.isnan(one["record_wear_per_100_plays"])


def test_a_stylus_with_a_single_capture_is_no_help():
    first, second = styli(-0.6, -2.0)
    assert rows_of(first, second.iloc[:1]).loc["one"]["separated_by"] is None


def test_a_stylus_still_in_its_break_in_is_no_help():
    first, second = styli(-0.6, -2.0)
    early = second.assign(stylus_hours=second["stylus_hours"] - 40.0)
    early = early[early["stylus_hours"] < 30.0]
    assert rows_of(first, early).loc["one"]["separated_by"] is None


def test_the_interval_allows_for_styli_that_do_not_wear_alike():
    """What a change of either stylus's own wear makes of the common one, by fitting it anew.

    Each has a spread of 30 % of the wear, and the common wear stands for that of one stylus.
    """
    tables = styli(-1.0, -2.0, sd=1e-6)
    one = rows_of(*tables).loc["one"]
    first, second = np.ones(N), np.zeros(N)
    hours = np.concatenate([HOURS, SPARED]) / 100.0
    owner = np.concatenate([first, second])
    plays = np.concatenate([PLAYS, PLAYS + 1.0]) / 100.0
    design = np.column_stack([owner, 1.0 - owner, hours, plays])
    for name, column in (("slope", 2), ("record_wear", 3)):
        parts = [np.linalg.lstsq(design, hours * of, rcond=None)[0] for of in (owner, 1.0 - owner)]
        shifts = [parts[0][column] - (column == 2), parts[1][column]]
        reach = stats.t.ppf(0.975, 2 * N - 4) * 0.3 * np.hypot(*shifts)
        width = 0.5 * (one[f"{name}_high"] - one[f"{name}_low"])
        assert width == pytest.approx(reach, rel=1e-3)


def test_probability_and_interval_belong_together():
    one = rows_of(*styli(-0.6, -2.0, sd=0.2)).loc["one"]
    reach = one["slope_high"] - one["slope_per_100h"]
    # Two levels, hours and plays of forty captures.
    degrees = 2 * N - 4
    t = one["slope_per_100h"] / (reach / stats.t.ppf(0.975, degrees))
    assert one["p_trend"] == pytest.approx(2.0 * stats.t.sf(abs(t), degrees), rel=1e-6)
    wear_reach = one["record_wear_high"] - one["record_wear_per_100_plays"]
    t = one["record_wear_per_100_plays"] / (wear_reach / stats.t.ppf(0.975, degrees))
    assert one["p_record_wear"] == pytest.approx(2.0 * stats.t.sf(abs(t), degrees), rel=1e-6)


def test_the_trend_counts_once_for_each_figure_of_the_stylus():
    rows = rows_of(*styli(-0.6, -2.0, count=3, sd=0.2)).loc["one"]
    for _, row in rows.iterrows():
        assert row["p_adjusted"] == pytest.approx(min(1.0, 3.0 * row["p_trend"]))


def test_what_moves_and_neither_can_be_blamed_for_stays_confounded():
    """Both together fall for certain; how much is each one's share is lost in the scatter."""
    first, second = styli(-0.5, -1.5, sd=0.1)
    one = rows_of(first, second.iloc[[0, 4]]).loc["one"]
    assert one["verdict"] == "confounded"
    assert one["separated_by"] is None


def test_a_step_of_a_stylus_is_its_own_in_the_common_fit():
    first, second = styli(-0.4, -2.0)
    first["value"] -= np.where(first["stylus_hours"] > 195.0, 1.0, 0.0)
    one = rows_of(first, second).loc["one"]
    assert one["change_at_hours"] == 195.0
    assert one["separated_by"] == "two"
    assert one["slope_per_100h"] == pytest.approx(-0.4, abs=0.05)
    assert one["record_wear_per_100_plays"] == pytest.approx(-2.0, abs=0.2)


def test_a_change_below_the_least_is_steady():
    tables = styli(-0.6, -2.0)
    change = abs(rows_of(*tables).loc["one"]["change_observed"])
    for part, verdict in ((0.99, "drifting"), (1.01, "steady")):
        rows = rows_of(*tables, least_changes={study.METRIC: part * change})
        assert rows.loc["one"]["verdict"] == verdict


def test_the_effect_of_temperature_is_that_of_all_styli():
    first, second = styli(-0.6, -2.0)
    for table, seed in ((first, 3), (second, 4)):
        table["temperature_c"] = 20.0 + np.random.default_rng(seed).uniform(-4.0, 4.0, len(table))
        table["value"] += 0.1 * (table["temperature_c"] - 20.0)
    one = rows_of(first, second).loc["one"]
    assert one["separated_by"] == "two"
    assert one["temperature_per_c"] == pytest.approx(0.1, abs=0.01)


def test_three_styli_are_named_in_order():
    first, second = styli(-0.6, -2.0)
    third = second.assign(stylus="a", capture="a" + second["capture"])
    assert rows_of(first, second, third).loc["one"]["separated_by"] == "a, two"


def test_what_nothing_else_explains_needs_no_partner():
    """Plays in an order of their own: each stylus's row stands as it is."""
    own = np.random.default_rng(5).permutation(PLAYS)
    first = study.long_table(wear(HOURS, own, -0.6, -2.0) + quiet((1, N), 1), HOURS, plays=own)
    _, second = styli(-0.6, -2.0)
    alone, both = rows_of(first).loc["one"], rows_of(first, second)
    assert both.loc["one"]["separated_by"] is None
    assert both.loc["one"]["slope_per_100h"] == alone["slope_per_100h"]
    assert both.loc["two"]["separated_by"] == "one"
