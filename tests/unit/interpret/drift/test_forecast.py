"""When a limit is met, and what is too far off to be said."""

from dataclasses import replace

import numpy as np
import pytest

import drift_histories as study
from grooveledger.interpret.drift import fits, limits
from grooveledger.interpret.drift.forecast import after_step, meet, powers, within_reach
from grooveledger.interpret.drift.history import histories
from grooveledger.interpret.drift.serial import Correlation
from grooveledger.interpret.drift.settings import Settings
from grooveledger.interpret.drift.spread import Scatter, Spread

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


HOURS = 50.0 + 10.0 * np.arange(16)
#: A scatter that no line, square or step explains.
SCATTER = 1e-3 * np.array([1.0, -1.0, -1.0, 1.0] * 4)


def bent(power, p_curved, fall=3.2):
    """Tests of a figure that falls by a power of the hours since 30 h, on independent days."""
    values = 10.0 - fall * ((HOURS - 30.0) / 170.0) ** power + SCATTER
    (history,) = histories(*study.archive_of(study.long_table(values[None], HOURS)))
    (tested,) = fits.analyse(history, Settings()).tested
    fitted = tested.fitted
    alike = Scatter(Spread(), Correlation(0.0, by_date=False))
    fit = fits.least_squares.fit(fitted.design, fitted.values, fitted.n_odd)
    return replace(tested, scatter=alike, fit=fit, p_curved=np.array([p_curved]))


@pytest.mark.parametrize("power", [0.5, 1.0, 1.5, 2.0, 3.0])
def test_wear_by_a_power_of_the_hours_meets_its_limit_where_that_does(power):
    """3 of a fall of 3.2 within 170 h: at 30 + 170 (3 / 3.2)^(1 / power), and hardly elsewhere."""
    tested = bent(power, 0.01)
    found = powers(tested)
    assert [one.power for one in found if one.left[0] < 1e-3] == [power]
    forecast = meet(LIMIT, found, 0, tested)
    expected = 30.0 + 170.0 * (3.0 / 3.2) ** (1.0 / power)
    assert forecast.at == pytest.approx(expected, abs=0.2)
    assert forecast.low < expected < forecast.high
    assert forecast.high - forecast.low < 1.0


@pytest.mark.parametrize(("p_curved", "is_line"), [(0.051, True), (0.049, False)])
def test_the_line_stays_central_and_possible_unless_it_is_known_to_be_bent(p_curved, is_line):
    tested = bent(2.0, p_curved)
    forecast = meet(LIMIT, powers(tested), 0, tested)
    curve = 30.0 + 170.0 * np.sqrt(3.0 / 3.2)
    slope = float(tested.fit.coefficients[0, 1])
    line = 30.0 + 100.0 * -3.0 / slope
    assert abs(line - curve) > 10.0
    assert forecast.at == pytest.approx(line if is_line else curve, abs=0.3)
    # The curve is possible either way.
    assert forecast.low <= curve <= forecast.high


def test_a_limit_far_off_is_met_at_no_stated_hours():
    tested = bent(1.0, 0.5, fall=1.0)
    forecast = meet(LIMIT, powers(tested), 0, tested)
    assert np.isnan(forecast.at)
    assert forecast.low == 2.0 * HOURS[-1]
