"""Where a line meets a limit: published worked examples, closed forms, open ends."""

import numpy as np
import pytest
from scipy import stats

from grooveledger.interpret.drift import limits

# A set of ours; limits found by a second method, the roots at which the band meets the level.
HOURS = np.arange(0.0, 1000.0, 100.0)
DISTORTION = np.array([0.52, 0.50, 0.58, 0.66, 0.65, 0.77, 0.78, 0.88, 0.91, 0.95])


def line_of(x, y):
    """Least squares: coefficients, covariance, scatter, quantile of t at 95 %."""
    design = np.column_stack([np.ones(len(x)), x])
    coefficients, squares, *_ = np.linalg.lstsq(design, y, rcond=None)
    variance = squares[0] / (len(x) - 2)
    return coefficients, variance * np.linalg.inv(design.T @ design), np.sqrt(variance)


def mean_line_limits(x, y, level, confidence=0.95):
    coefficients, covariance, _ = line_of(x, y)
    t = stats.t.ppf(0.5 + confidence / 2, len(x) - 2)
    return limits.fieller(
        np.array([1.0, 0.0]), np.array([0.0, 1.0]), level, coefficients, covariance, t
    )


def reading_limits(x, y, reading, confidence=0.95):
    """Limits for a new single reading: its own scatter is one more uncertain term."""
    coefficients, covariance, scatter = line_of(x, y)
    t = stats.t.ppf(0.5 + confidence / 2, len(x) - 2)
    wider = np.zeros((3, 3))
    wider[:2, :2] = covariance
    wider[2, 2] = scatter**2
    return limits.fieller(
        np.array([1.0, 0.0, -1.0]),
        np.array([0.0, 1.0, 0.0]),
        0.0,
        np.append(coefficients, reading),
        wider,
        t,
    )


def test_fieller_set():
    coefficients, _, scatter = line_of(HOURS, DISTORTION)
    assert (1.2 - coefficients[0]) / coefficients[1] == pytest.approx(1358.257, abs=0.01)
    assert scatter == pytest.approx(0.0291132, abs=1e-7)
    np.testing.assert_allclose(
        mean_line_limits(HOURS, DISTORTION, 1.2)[:2], [1240.612, 1512.143], atol=0.01
    )
    np.testing.assert_allclose(
        reading_limits(HOURS, DISTORTION, 1.2)[:2], [1189.584, 1563.170], atol=0.01
    )


def test_chamber_of_graybill_and_iyer():
    # Graybill & Iyer (1994), Regression Analysis, p. 433: dial setting for a mean of 400, 99 %.
    dial = np.arange(0.0, 101.0, 10.0)
    temperature = np.array(
        [206.36, 225.52, 252.18, 289.33, 318.11, 349.49, 383.03, 410.70, 444.40, 469.14, 501.16]
    )
    low, high, inside = mean_line_limits(dial, temperature, 400.0, 0.99)
    assert inside
    assert (round(low, 2), round(high, 2)) == (65.07, 68.03)


def test_thermostat_of_graybill_and_iyer():
    # Graybill & Iyer (1994), p. 431: true temperature for one reading, 95 and 90 %.
    true = np.arange(96.0, 111.0, 2.0)
    read = np.array([95.71, 98.16, 99.52, 102.09, 103.79, 106.18, 108.14, 110.21])
    low, high, _ = reading_limits(true, read, 104.0)
    assert (round(low, 1), round(high, 1)) == (103.4, 104.6)
    low, high, _ = reading_limits(true, read, 100.0, 0.9)
    assert (round(low, 2), round(high, 2)) == (99.63, 100.59)


def small_covariance(*variances):
    return np.diag(np.array(variances))


def test_change_from_the_baseline_depends_on_the_slope_alone():
    # 2 dB at 0.5 +/- 0.1 dB per 100 h: between 2/0.6 and 2/0.4 hundred hours.
    (limit,) = limits.limits_of({"falls_by": 2.0})
    found = limits.crossing(limit, np.array([-1.0, -0.5]), small_covariance(5.0, 0.05**2), 2.0)
    assert found.at == pytest.approx(4.0)
    assert found.low == pytest.approx(2 / 0.6)
    assert found.high == pytest.approx(2 / 0.4)
    assert limit.value(-1.0) == -3.0


def test_factor_of_the_baseline():
    # 1 % rising by 0.25 % per 100 h is up by half after 200 h.
    (limit,) = limits.limits_of({"rises_to_factor": 1.5})
    found = limits.crossing(limit, np.array([1.0, 0.25]), small_covariance(1e-6, 1e-6), 2.0)
    assert found.at == pytest.approx(2.0)
    assert limit.value(1.0) == pytest.approx(1.5)


def test_open_where_the_slope_may_be_none():
    (limit,) = limits.limits_of({"falls_by": 2.0})
    found = limits.crossing(limit, np.array([0.0, -0.1]), small_covariance(0.01, 0.01), 2.0)
    assert found.at == pytest.approx(20.0)
    assert found.low == pytest.approx(2 / 0.3)
    assert found.high is None


def test_never_where_the_figure_moves_away_for_certain():
    (limit,) = limits.limits_of({"falls_by": 2.0})
    found = limits.crossing(limit, np.array([0.0, 0.5]), small_covariance(0.01, 0.001), 2.0)
    assert found == limits.Crossing(None, None, None)


def test_moving_away_but_perhaps_not():
    (limit,) = limits.limits_of({"falls_by": 2.0})
    found = limits.crossing(limit, np.array([0.0, 0.1]), small_covariance(0.01, 0.01), 2.0)
    assert found.at is None
    assert found.low == pytest.approx(2 / 0.1)
    assert found.high is None


def test_absolute_limit_already_passed_at_the_baseline():
    (limit,) = limits.limits_of({"minimum": 20.0})
    found = limits.crossing(limit, np.array([18.0, -0.1]), small_covariance(0.01, 0.01), 2.0)
    assert found.at == 0.0
    assert limit.passed(18.0, 18.0)
    assert not limit.passed(22.0, 22.0)


def test_a_step_brings_the_limit_nearer():
    (limit,) = limits.limits_of({"falls_by": 2.0})
    coefficients = np.array([0.0, -0.5, -1.0])
    covariance = small_covariance(1e-4, 1e-4, 1e-4)
    # Two decibels: one by the step at 1, one by the slope.
    assert limits.crossing(limit, coefficients, covariance, 2.0, 1.0).at == pytest.approx(2.0)
    # Met before the step, the step changes nothing.
    assert limits.crossing(limit, coefficients, covariance, 2.0, 9.0).at == pytest.approx(4.0)
    # The step itself.
    found = limits.crossing(limit, np.array([0.0, 0.0, -3.0]), covariance, 2.0, 1.5)
    assert found.at == 1.5
    assert found.high == pytest.approx(1.5)


@pytest.mark.parametrize(
    ("rule", "passed_at"),
    [
        ({"falls_by": 1.5}, -1.0),
        ({"rises_by": 1.5}, 2.0),
        ({"falls_to_factor": 0.8}, 0.4),
        ({"rises_to_factor": 1.5}, 0.75),
        ({"minimum": 0.2}, 0.2),
        ({"maximum": 3.0}, 3.0),
    ],
)
def test_every_rule_of_a_limit_from_a_baseline_of_a_half(rule, passed_at):
    (limit,) = limits.limits_of(rule)
    assert limit.value(0.5) == pytest.approx(passed_at)
    beyond, within = passed_at + 0.01 * limit.side, passed_at - 0.01 * limit.side
    assert limit.passed(beyond, 0.5)
    assert not limit.passed(within, 0.5)


def test_both_sides_of_a_change():
    fall, rise = limits.limits_of({"changes_by": 1.5})
    assert (fall.value(0.5), rise.value(0.5)) == (-1.0, 2.0)
    assert (fall.side, rise.side) == (-1, 1)
