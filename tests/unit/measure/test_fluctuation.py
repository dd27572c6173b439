"""The steady part of a speed and the filtered rest, in closed form."""

import numpy as np
import pytest

from grooveledger.measure.fluctuation import FINER, SETTLING_S, faded_band, fit_steady, fluctuation
from grooveledger.physics.weighting import flutter_weighting

RATE_HZ, SECONDS, TURN_HZ = 200.0, 12.0, 0.5567
TIME_S = np.arange(round(RATE_HZ * SECONDS)) / RATE_HZ
FINE_S = np.arange(FINER * len(TIME_S)) / (FINER * RATE_HZ)
PARTS_PCT, PHASES = (0.2, 0.05, 0.03, 0.02), (0.3, -1.0, 2.0, 0.7)


def waves(time_s, response=None):
    """Four multiples of the rotation, each as a filter gives it."""
    gain = (lambda hz: np.ones(len(hz))) if response is None else response
    turns_hz = TURN_HZ * np.arange(1, 5)
    return [
        pct * np.real(factor * np.exp(1j * (2.0 * np.pi * hz * time_s + phase)))
        for hz, pct, phase, factor in zip(turns_hz, PARTS_PCT, PHASES, gain(turns_hz), strict=True)
    ]


def test_mean_slope_and_four_waves_are_told_apart():
    deviation = 0.4 + 0.01 * (TIME_S - TIME_S.mean()) + sum(waves(TIME_S))
    steady = fit_steady(deviation, RATE_HZ, TURN_HZ)
    assert steady.slope == pytest.approx(0.01, rel=1e-9)
    np.testing.assert_allclose(steady.turns_hz, TURN_HZ * np.array([1, 2, 3, 4]))
    np.testing.assert_allclose(np.abs(steady.waves), PARTS_PCT, rtol=1e-9)
    np.testing.assert_allclose(np.angle(steady.waves), PHASES, rtol=1e-9)
    np.testing.assert_allclose(steady.model, deviation, atol=1e-12)


@pytest.mark.parametrize(
    ("hz", "gain"),
    [
        (0.1, 0.0),
        (0.11, np.sin(0.5 * np.pi * np.log2(1.1)) ** 2),
        (0.2 / np.sqrt(2.0), 0.5),
        (0.199, np.sin(0.5 * np.pi * (1.0 + np.log2(0.995))) ** 2),
        (0.2, 1.0),
        (200.0, 1.0),
        (200.1, 0.0),
        (0.0, 0.0),
    ],
)
def test_a_band_is_faded_out_over_the_octave_below_it(hz, gain):
    assert faded_band(0.2, 200.0)(np.array([hz]))[0] == pytest.approx(gain, abs=1e-12)


def test_what_goes_round_is_filtered_as_if_it_had_gone_on_for_ever():
    steady = fit_steady(0.4 + sum(waves(TIME_S)), RATE_HZ, TURN_HZ)
    whole, rest = fluctuation(0.4 + sum(waves(TIME_S)), steady, RATE_HZ, flutter_weighting)
    once, *others = waves(FINE_S, flutter_weighting)
    np.testing.assert_allclose(whole, once + sum(others), atol=1e-9)
    np.testing.assert_allclose(rest, sum(others), atol=1e-9)


def test_the_rest_goes_through_the_filter_and_settles():
    flutter = 0.1 * np.cos(2.0 * np.pi * 11.0 * TIME_S + 0.4)
    steady = fit_steady(0.0 * TIME_S, RATE_HZ, TURN_HZ)
    whole, rest = fluctuation(flutter, steady, RATE_HZ, flutter_weighting)
    np.testing.assert_array_equal(whole, rest)
    factor = complex(flutter_weighting(11.0))
    expected = 0.1 * np.real(factor * np.exp(1j * (2.0 * np.pi * 11.0 * FINE_S + 0.4)))
    inside = (FINE_S > SETTLING_S) & (FINE_S < SECONDS - 0.1)
    np.testing.assert_allclose(whole[inside], expected[inside], atol=2e-3)


def test_the_end_of_a_trace_does_not_come_round_to_its_start():
    """Zeros follow the trace for four times as long as the filter takes to settle."""
    late = np.where(TIME_S > SECONDS - 0.5, 1.0, 0.0)
    steady = fit_steady(0.0 * TIME_S, RATE_HZ, TURN_HZ)
    whole, _ = fluctuation(late, steady, RATE_HZ, flutter_weighting)
    peak = np.max(np.abs(whole))
    assert np.max(np.abs(whole[FINE_S < 2.0])) < 2e-3 * peak
