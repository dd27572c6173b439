"""How far days are alike: weights, gaps, and what correlated figures count."""

import numpy as np
import pytest

from grooveledger.interpret.drift import serial
from grooveledger.interpret.drift.serial import Correlation, Sample


def test_gaps_count_in_usual_ones_within_bounds():
    clock = np.array([0.0, 10.0, 20.0, 20.0, 40.0, 240.0, 250.0])
    assert serial.relative_gaps(clock).tolist() == pytest.approx([1.0, 1.0, 0.25, 2.0, 8.0, 1.0])
    assert serial.relative_gaps(np.zeros(3)).tolist() == [0.25, 0.25]


def test_correlation_falls_off_with_the_clock_it_lasts_by():
    hours, date = np.array([0.0, 1.0, 3.0, 4.0]), np.array([0.0, 10.0, 20.0, 60.0])
    assert Correlation(0.5, by_date=False).steps(hours, date).tolist() == [0.5, 0.25, 0.5]
    assert Correlation(0.5, by_date=True).steps(hours, date).tolist() == [0.5, 0.5, 0.0625]
    unknown = np.array([0.0, np.nan, 20.0, 60.0])
    assert Correlation(0.5, by_date=True).steps(hours, unknown).tolist() == [0.5, 0.25, 0.5]


def test_effective_days_are_bartletts():
    assert Correlation(0.5, by_date=False).effective_days(30) == pytest.approx(10.0)
    assert Correlation(0.0, by_date=False).effective_days(30) == 30.0


def test_whitened_days_are_independent_and_of_equal_size():
    """The whitening W of an AR(1) covariance S: W S W' is the unit matrix."""
    steps = np.array([0.5, 0.25, 0.8])
    clock = np.concatenate([[0.0], np.cumsum(-np.log(steps))])
    covariance = np.exp(-np.abs(clock[:, None] - clock))
    w = serial.whiten(np.eye(4), steps)
    np.testing.assert_allclose(w @ covariance @ w.T, np.eye(4), atol=1e-12)
    rows = np.arange(8.0).reshape(4, 2)
    assert serial.whiten(rows, np.zeros(3)) is rows


def test_figures_that_go_together_count_as_one():
    rng = np.random.default_rng(2)
    one = rng.standard_normal(200)
    alike = np.stack([one, one, -one]) / np.linalg.norm(one)
    assert serial.effective_figures(alike, 199) == pytest.approx(1.0, abs=0.02)
    apart = np.linalg.qr(rng.standard_normal((200, 3)))[0].T
    assert serial.effective_figures(apart, 199) == pytest.approx(3.0, abs=0.02)


def sample(strength, days=200, figures=6, step=0.0):
    rng = np.random.default_rng(7)
    values = rng.standard_normal((figures, days))
    for i in range(1, days):
        values[:, i] = strength * values[:, i - 1] + np.sqrt(1 - strength**2) * values[:, i]
    values[:, days // 2 :] += step
    hours = np.arange(float(days))
    return Sample(np.column_stack([np.ones(days), hours]), values, hours, hours)


@pytest.mark.parametrize("strength", [0.0, 0.3, 0.6])
def test_the_correlation_of_many_days_is_seen(strength):
    assert serial.estimate([sample(strength)]).strength == pytest.approx(strength, abs=0.1)


def test_a_common_step_is_not_taken_for_days_that_are_alike():
    assert serial.estimate([sample(0.0, step=3.0)]).strength < 0.15


def test_the_clock_by_which_days_are_alike_is_chosen():
    rng = np.random.default_rng(4)
    made = sample(0.0)
    date = np.cumsum(rng.choice([0.3, 5.0], len(made.hours)))
    values = np.empty_like(made.values)
    values[:, 0] = rng.standard_normal(len(values))
    # In gaps of the date's median.
    steps = 0.6 ** serial.relative_gaps(date)
    for i in range(1, len(date)):
        values[:, i] = steps[i - 1] * values[:, i - 1]
        values[:, i] += np.sqrt(1 - steps[i - 1] ** 2) * rng.standard_normal(len(values))
    found = serial.estimate([made._replace(values=values, date=date)])
    assert found.by_date
    assert found.strength == pytest.approx(0.6, abs=0.12)


def test_few_days_leave_the_doubt_in():
    """With nothing to go by the prior's mean and part of its deviation are used, worked by hand."""
    nothing = Sample(np.ones((2, 1)), np.zeros((1, 2)), np.arange(2.0), np.arange(2.0))
    mean = 0.5 * np.mean(np.arange(1, 10) / 10.0)
    deviation = np.sqrt(0.5 * mean**2 + 0.5 * np.mean((np.arange(1, 10) / 10.0 - mean) ** 2))
    assert serial.estimate([nothing]).strength == pytest.approx(mean + 0.85 * deviation)
