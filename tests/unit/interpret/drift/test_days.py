"""Captures of a day as one occasion, and days that are off their neighbours."""

import numpy as np
import pytest

from grooveledger.interpret.drift import days


def test_a_day_is_a_date_and_no_more_than_24_hours_of_play():
    moments = np.array(["2024-01-02T10:00", "2024-01-02T22:00", "2024-01-03", "", "unknown"])
    labels = days.day_labels(moments, np.array([1.0, 25.0, 26.0, 27.0, 28.0]))
    assert labels.tolist() == ["2024-01-02", "2024-01-02", "2024-01-03", "capture 3", "capture 4"]
    apart = days.day_labels(moments, np.array([1.0, 25.5, 26.0, 27.0, 28.0]))
    assert apart[:2].tolist() == ["2024-01-02 1.0", "2024-01-02 25.5"]


def test_averaging_orders_days_by_their_mean_hours():
    made = days.averaging(np.array(["late", "early", "late"]), np.array([9.0, 5.0, 3.0]))
    assert (made @ np.array([9.0, 5.0, 3.0])).tolist() == [5.0, 6.0]
    assert days.averaging(np.array([]), np.array([])).shape == (0, 0)


def test_repeatability_pools_cells_by_their_degrees_of_freedom():
    """Worked by hand: (0.5^2 * 2 + 1^2 * 2) / (1 + 2) and its root."""
    values = np.array([[1.0, 2.0, 5.0, 6.0, 7.0, 40.0]])
    cells = np.array(["a", "a", "b", "b", "b", "c"])
    assert days.repeatability_sd(values, cells) == pytest.approx([np.sqrt(2.5 / 3.0)])
    assert np.isnan(days.repeatability_sd(values, np.arange(6).astype(str))).all()


def test_records_of_one_day_are_told_from_its_scatter():
    """Balanced: each record's own part is its mean over the days, the rest has 4 - 2 - 1 = 1."""
    values = np.array([[1.0, 2.2, 5.0, 5.8]])
    effect, sd = days.within_days(values, np.array([*"xxyy"]), np.array([*"abab"]))
    np.testing.assert_allclose(effect, [[-0.5, 0.5, -0.5, 0.5]], atol=1e-12)
    assert sd == pytest.approx([np.sqrt(4 * 0.1**2)])
    _, unknown = days.within_days(values[:, :2], np.array([*"xx"]), np.array([*"ab"]))
    assert np.isnan(unknown).all()


def test_one_day_far_off_is_odd_and_a_change_that_lasts_is_not():
    rng = np.random.default_rng(3)
    hours = np.arange(20.0)
    design = np.column_stack([np.ones(20), hours])
    values = 0.1 * hours + 0.01 * rng.standard_normal((1, 20))
    assert not days.odd_deviations(values, design).any()
    single = values.copy()
    single[0, 7] += 1.0
    away = days.odd_deviations(single, design)
    assert np.flatnonzero(away[0]).tolist() == [7]
    assert away[0, 7] == pytest.approx(1.0, abs=0.06)
    lasting = values.copy()
    lasting[0, 10:] += 1.0
    assert not days.odd_deviations(lasting, design).any()


def test_with_as_many_days_as_neighbours_none_is_odd():
    values = np.array([[0.0, 0.1, 9.0, -0.1, 0.05, -0.05]])
    ones = np.ones((6, 1))
    assert not days.odd_deviations(values[:, :5], ones[:5]).any()
    # Of six days the bound is ten robust standard deviations.
    assert days.odd_deviations(values, ones).any()


def test_rounding_is_no_scatter():
    values = np.full((1, 20), 1.0e6)
    values[0, 5] += 1e-5
    assert not days.odd_deviations(values, np.ones((20, 1))).any()
    values[0, 5] += 1e-2
    assert days.odd_deviations(values, np.ones((20, 1)))[0, 5] > 0.0
