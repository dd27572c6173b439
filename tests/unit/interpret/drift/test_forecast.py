"""When a limit is met, and what is too far off to be said."""

import numpy as np
import pytest

from grooveledger.interpret.drift import limits
from grooveledger.interpret.drift.forecast import after_step, within_reach

(LIMIT,) = limits.limits_of({"falls_by": 3.0})
CERTAIN = np.diag([1e-12, 1e-12, 1e-12])


@pytest.mark.parametrize(("at", "low", "high", "said"), [
    (150.0, 120.0, 180.0, (150.0, 120.0, 180.0)),
    (200.0, 120.0, 200.0, (200.0, 120.0, 200.0)),  # Twice the newest capture's hours: the last.
    (201.0, 120.0, 201.0, (np.nan, 120.0, np.nan)),
    (np.inf, 250.0, np.inf, (np.nan, 200.0, np.nan)),
    (-np.inf, -np.inf, np.inf, (np.nan, np.nan, np.nan)),
])  # fmt: skip
def test_nothing_is_stated_beyond_twice_the_hours(at, low, high, said):
    forecast = within_reach(LIMIT, at, low, high, 100.0)
    assert (forecast.at, forecast.low, forecast.high) == pytest.approx(said, nan_ok=True)
    assert forecast.limit is LIMIT


def stepped(step_db, slope_db=-1.0, between=(180.0, 220.0), last_hours=400.0):
    """A line of a known slope per 100 h from 50 h on, with a step."""
    coefficients = np.array([10.0, slope_db, step_db])
    return after_step(LIMIT, coefficients, CERTAIN, 50.0, 50.0, between, last_hours)


def test_without_a_step_of_size_the_line_alone_decides():
    forecast = stepped(0.0)
    assert forecast.at == pytest.approx(350.0)
    assert (forecast.low, forecast.high) == pytest.approx((350.0, 350.0), abs=0.1)


def test_a_step_brings_the_limit_forward():
    assert stepped(-1.0).at == pytest.approx(250.0)


def test_a_limit_that_the_step_itself_meets_is_met_between_its_captures():
    forecast = stepped(-5.0)
    assert forecast.at == pytest.approx(200.0)
    assert (forecast.low, forecast.high) == (180.0, 220.0)


def test_a_limit_met_before_the_step_does_not_wait_for_it():
    assert stepped(-5.0, slope_db=-3.0).at == pytest.approx(150.0)
