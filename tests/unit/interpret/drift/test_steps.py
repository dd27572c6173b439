"""The step detector's parts, and its critical values drawn anew."""

import numpy as np
import pytest

from grooveledger.interpret.drift import steps


def columns(n, places):
    return (np.arange(n)[:, None] >= places[None, :]).astype(float)


def test_t_ratio_is_that_of_least_squares():
    rng = np.random.default_rng(1)
    n = 20
    design = np.column_stack([np.ones(n), np.arange(float(n))])
    values = rng.standard_normal(n) + 2.0 * (np.arange(n) >= 8)
    places = np.arange(3, n - 2)
    place, t = steps.largest_step(design, values, columns(n, places), places)
    wider = np.column_stack([design, np.arange(n) >= place])
    coefficients, squares, *_ = np.linalg.lstsq(wider, values, rcond=None)
    variance = squares[0] / (n - 3) * np.linalg.inv(wider.T @ wider)[2, 2]
    assert t == pytest.approx(abs(coefficients[2]) / np.sqrt(variance))
    assert place == 8


def test_a_step_that_the_model_holds_already_is_not_seen():
    n = 12
    step = (np.arange(n) >= 6).astype(float)
    design = np.column_stack([np.ones(n), np.arange(float(n)), step])
    values = np.random.default_rng(2).standard_normal(n)
    assert steps.largest_step(design, values, step[:, None], np.array([6])) == (-1, 0.0)


def test_critical_values():
    # Our own simulation, made anew with other draws.
    rng = np.random.default_rng(9)
    n = 20
    design = np.column_stack([np.ones(n), np.arange(float(n))])
    places = np.arange(3, n - 2)
    candidates = columns(n, places)
    draws = rng.standard_normal((2000, n))
    largest = [steps.largest_step(design, values, candidates, places)[1] for values in draws]
    exceeded = np.mean(np.array(largest) > steps.critical_t(n, 2))
    assert exceeded == pytest.approx(steps.FALSE_ALARM, abs=0.015)


def test_single_odd_captures_are_put_aside_and_a_level_is_not():
    residuals = np.zeros(12)
    residuals[[4, 7]] = 10.0
    assert list(np.flatnonzero(steps.isolated_odd(residuals, 1.0))) == [4, 7]
    residuals[9:] = 10.0
    assert list(np.flatnonzero(steps.isolated_odd(residuals, 1.0))) == [4]
    assert list(np.flatnonzero(steps.isolated_odd(residuals[::-1], 1.0))) == [7]


def test_two_odd_captures_at_the_end_are_no_level():
    residuals = np.zeros(12)
    residuals[10:] = -10.0
    assert list(np.flatnonzero(steps.isolated_odd(residuals, 1.0))) == [10, 11]


def test_candidates_leave_three_captures_on_each_side():
    hours = np.arange(9.0)
    kept = np.ones(9, dtype=bool)
    assert list(steps.candidate_steps(hours, kept)) == [3, 4, 5, 6]
    hours[4] = hours[3]
    assert list(steps.candidate_steps(hours, kept)) == [3, 5, 6]
