"""The long table as one array of figures a stylus."""

import numpy as np
import pandas as pd
import pytest

import drift_histories as study
from grooveledger.interpret.drift.history import (
    groups,
    histories,
    innermost_tracks,
    record_parts,
    resolution,
)

N = 10
HOURS = 30.0 + 10.0 * np.arange(N)
VALUES = np.stack([np.arange(N), 100.0 + np.arange(N)]).astype(float)


def history_of(*tables, styli=None):
    metrics, captures, default = study.archive_of(*tables)
    (found,) = histories(metrics, captures, default if styli is None else styli)
    return found


def test_captures_are_in_order_of_hours_and_series_by_name():
    table = study.long_table(VALUES, HOURS, temperature_c=20.0 + np.arange(N), plays=np.arange(N))
    found = history_of(table.sample(frac=1.0, random_state=3))
    np.testing.assert_array_equal(found.values, VALUES)
    np.testing.assert_array_equal(found.conditions.hours, HOURS)
    np.testing.assert_array_equal(found.conditions.plays, np.arange(N))
    np.testing.assert_array_equal(found.conditions.temperature_c, 20.0 + np.arange(N))
    assert found.series == ((study.METRIC, "h00000", "dB"), (study.METRIC, "h00001", "dB"))
    assert found.capture.tolist() == [f"one-{i:05d}" for i in range(N)]
    assert (found.stylus, found.cartridge) == ("one", "type")
    assert found.tracks == ("1", "1")
    # 1 January 2020 was 18,262 days after 1 January 1970.
    np.testing.assert_array_equal(found.date, 18_262.0 + np.arange(N))
    assert found.day[0] == "2020-01-01"


def test_captures_of_equal_hours_are_in_order_of_their_moments_then_of_their_names():
    table = study.long_table(VALUES[:1, :3], np.full(3, 50.0), day=np.array([2, 1, 1]))
    table["capture"] = ["a", "c", "b"]
    assert history_of(table).capture.tolist() == ["b", "c", "a"]


def test_bounds_nulls_and_what_is_no_measurement_are_missing():
    table = study.long_table(VALUES[:1], HOURS)
    table.loc[2, "limited"] = True
    table.loc[[3, 4, 5, 6], "value"] = [np.nan, np.inf, 1.1e100, -0.9e100]
    table["limited"] = table["limited"].astype(object)
    table.loc[7, "limited"] = None
    found = history_of(table)
    assert np.flatnonzero(np.isnan(found.values[0])).tolist() == [2, 3, 4, 5]
    assert np.flatnonzero(found.limited[0]).tolist() == [2]


def test_rows_without_hours_or_stylus_and_rejected_captures_are_left_out():
    metrics, captures, styli = study.archive_of(study.long_table(VALUES, HOURS))
    metrics.loc[metrics["capture"] == "one-00001", "stylus_hours"] = np.nan
    metrics.loc[metrics["capture"] == "one-00002", "stylus"] = None
    captures.loc[3, "status"] = "rejected"
    captures.loc[4, "status"] = "flagged"
    (found,) = histories(metrics, captures, styli)
    left = [int(name[-1]) for name in found.capture]
    assert left == [0, 4, 5, 6, 7, 8, 9]
    np.testing.assert_array_equal(found.values, VALUES[:, left])


def test_one_history_a_stylus_sorted_by_name():
    tables = [study.long_table(VALUES + i, HOURS, stylus=s) for i, s in enumerate(("b", "a", "c"))]
    found = histories(*study.archive_of(*tables))
    assert [one.stylus for one in found] == ["a", "b", "c"]
    for one, plus in zip(found, (1, 0, 2), strict=True):
        np.testing.assert_array_equal(one.values, VALUES + plus)


def test_a_stylus_has_its_own_break_in_or_the_default():
    table = study.long_table(VALUES, HOURS)
    own = pd.DataFrame({"stylus": ["one", "two"], "break_in_hours": [12.0, 40.0]})
    assert history_of(table, styli=own).settled_hours(30.0) == 12.0
    assert history_of(table).settled_hours(30.0) == 30.0
    assert history_of(table, styli=own[["stylus"]]).settled_hours(30.0) == 30.0


def test_an_unknown_date_leaves_those_of_the_other_captures():
    table = study.long_table(VALUES[:1], HOURS)
    table.loc[1, "captured_at"] = None
    table.loc[2, "captured_at"] = "2020-01-03T23:59:00"
    found = history_of(table)
    assert found.captured_at[:3].tolist() == ["2020-01-01", "", "2020-01-03T23:59:00"]
    assert found.day[:3].tolist() == ["2020-01-01", "capture 1", "2020-01-03"]
    assert found.date[[0, 2]].tolist() == [18_262.0, 18_264.0]
    assert np.isnan(found.date[1])


def test_repeats_share_day_record_side_copy_and_chain():
    table = study.long_table(VALUES[:1, :6], 50.0 + 0.5 * np.arange(6), day=np.zeros(6))
    table["chain"] = ["x", "x", "y", "x", "x", "x"]
    table["side"] = ["a", "a", "a", "b", "a", "a"]
    table["copy"] = [None, None, None, None, "second", None]
    found = history_of(table)
    first = found.cell[0]
    assert (found.cell == first).tolist() == [True, True, False, False, False, True]
    assert len(set(found.cell.tolist())) == 4
    assert found.played[0] == "a/a\tx"
    assert found.conditions.record[4] == "a/a, copy second"


def test_scatter_is_the_median_of_what_the_archives_repeats_say():
    table = study.long_table(VALUES, HOURS)
    assert np.isnan(history_of(table).scatter).all()
    said = table.assign(scatter=np.where(table["channel"] == "h00000", np.arange(2 * N), np.nan))
    np.testing.assert_array_equal(history_of(said).scatter, [4.5, np.nan])


def tracked(track, captures, position=None, value=1.0, **facts):
    """Rows of one figure of some captures from one track."""
    rows = study.long_table(np.full((1, N), value), HOURS).iloc[list(captures)]
    return rows.assign(
        track=track, **({} if position is None else {"track_position": position}), **facts
    )


@pytest.mark.parametrize(("inner", "kept"), [(8, 9), (7, 4)])
def test_the_innermost_track_counts_that_four_fifths_share(inner, kept):
    rows = pd.concat([tracked(4, range(N)), tracked(9, range(inner))])
    assert set(innermost_tracks(rows)["track"]) == {kept}


def test_a_track_that_gives_no_figure_is_not_shared():
    rows = pd.concat([tracked(4, range(N)), tracked(9, range(N), value=np.nan)])
    assert set(innermost_tracks(rows)["track"]) == {4}


def test_the_position_in_the_plan_tells_rather_than_the_number():
    rows = pd.concat([tracked(4, range(N), 7), tracked(9, range(N), 2)])
    assert set(innermost_tracks(rows)["track"]) == {4}


def test_each_stylus_metric_channel_record_and_side_has_its_own_track():
    plain = [tracked(4, range(N)), tracked(9, range(5))]
    for name in ("stylus", "metric", "channel", "record", "side"):
        apart = [tracked(4, range(N)), tracked(9, range(5), **{name: "other"})]
        apart[1]["capture"] = apart[1]["capture"] + "x"
        assert set(innermost_tracks(pd.concat(apart))["track"]) == {4, 9}, name
    assert set(innermost_tracks(pd.concat(plain))["track"]) == {4}


def test_tracks_are_named_by_side_where_they_differ():
    first, second = tracked(4, range(5)), tracked(6, range(5, N), side="b")
    assert history_of(first, second).tracks == ("a/a: 4; a/b: 6",)


def test_groups_are_of_series_that_the_same_captures_measured_after_break_in():
    values = np.stack([np.arange(N)] * 3).astype(float)
    values[1, 5] = np.nan
    table = study.long_table(values, HOURS)
    found = history_of(table)
    first, second = groups(found, 50.0)
    assert (first.members, second.members) == ((0, 2), (1,))
    # From the end of break-in on: 50 h itself counts.
    assert np.flatnonzero(first.used).tolist() == list(range(2, N))
    assert np.flatnonzero(second.used).tolist() == [2, 3, 4, 6, 7, 8, 9]
    assert np.flatnonzero(groups(found, 50.1)[0].used).tolist() == list(range(3, N))


def test_series_that_other_covariates_may_move_are_groups_of_their_own():
    resonance = study.long_table(VALUES[:1], HOURS, metric="resonance_lateral_hz")
    found = history_of(study.long_table(VALUES[:1], HOURS), resonance)
    one, two = groups(found, 0.0)
    assert one.candidates != two.candidates


@pytest.mark.parametrize(
    ("values", "step"),
    [
        ([60.0, 60.0, 50.0, 50.0], 10.0),
        ([60.0, 60.0, 50.0, 40.0], 0.0),
        ([60.0, 60.0, 60.0, 60.0], 0.0),
        ([60.0, 50.0, np.nan, 60.0, 50.0], 10.0),
        ([60.0, 60.0, 45.0, 45.0, 50.0, 50.0], 5.0),
    ],
)
def test_a_figure_comes_in_steps_where_half_of_its_values_differ_at_most(values, step):
    assert resolution(np.array([values]), ["tracked"]).tolist() == [step]


def test_steps_are_those_of_all_channels_of_a_metric():
    values = np.array([[60.0, 60.0, 50.0], [40.0, 40.0, 50.0], [1.0, 2.0, 3.0]])
    assert resolution(values, ["tracked", "tracked", "other"]).tolist() == [10.0, 10.0, 0.0]


def test_parts_of_a_record_without_a_copy():
    assert record_parts("bench-a/b") == ("bench-a", "b", "")
