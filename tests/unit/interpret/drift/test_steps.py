"""The step's parts."""

import numpy as np
import pytest

from grooveledger.interpret.drift import steps
from grooveledger.interpret.drift.least_squares import normal_score

DAYS = 20
LINE = np.column_stack([np.ones(DAYS), np.arange(float(DAYS))])
ORDERS = np.array([np.random.default_rng(i).permutation(DAYS) for i in range(199)])


def columns(first_after):
    return (np.arange(DAYS)[:, None] >= first_after[None, :]).astype(float)


def test_score_is_that_of_least_squares():
    values = np.random.default_rng(1).standard_normal(DAYS) + 2.0 * (np.arange(DAYS) >= 8)
    places = steps.places(np.arange(float(DAYS)))
    found = steps.scores(LINE, columns(places), places, values[None], ORDERS, np.zeros(1))
    wider = np.column_stack([LINE, np.arange(DAYS) >= found.place[0]])
    coefficients, squares, *_ = np.linalg.lstsq(wider, values, rcond=None)
    variance = squares[0] / (DAYS - 3) * np.linalg.inv(wider.T @ wider)[2, 2]
    ratio = coefficients[2] ** 2 / variance
    assert found.scores[0] == pytest.approx(float(normal_score(ratio, DAYS - 3.0)))
    assert found.place[0] == 8


def test_a_step_that_the_model_holds_already_is_not_seen():
    step = (np.arange(DAYS) >= 6).astype(float)
    design = np.column_stack([LINE, step])
    values = np.random.default_rng(2).standard_normal((1, DAYS))
    assert steps.scores(design, step[:, None], np.array([6]), values, ORDERS, np.zeros(1)) is None


def test_three_days_lie_on_each_side_and_hours_differ_across():
    hours = np.array([0.0, 1, 2, 3, 3, 4, 5, 6])
    assert list(steps.places(hours)) == [3, 5]


def test_the_place_is_an_interval_that_holds_the_true_one():
    places = steps.places(np.arange(float(DAYS)))
    held = []
    for seed in range(200):
        noise = np.random.default_rng(seed).standard_normal(DAYS)
        values = noise + 3.0 * (np.arange(DAYS) >= 8)
        possible = steps.possible_places(LINE, columns(places), places, values)
        held.append(possible.min() <= 8 <= possible.max())
    assert np.mean(held) > 0.93
