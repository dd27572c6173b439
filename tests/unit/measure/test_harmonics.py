"""Harmonics over the fundamental, and just inside and outside of what noise allows."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from grooveledger.measure.harmonics import Harmonics, harmonic_lines
from grooveledger.measure.readings import Readings
from grooveledger.physics.equalisation import replay_response
from made_observations import CHAIN

FLAT = replace(CHAIN, equalisation="flat")
#: Full scale of 2 V rms through 40 dB is 20 mV.
FULL_SCALE_MV = 20.0


def read(amplitude, floor, hz=1000.0):
    """One moment of a channel; a line of NaN was not observed."""
    amplitude = np.atleast_2d(np.asarray(amplitude, float))
    floor = np.broadcast_to(np.asarray(floor, float), amplitude.shape)
    n = len(amplitude)
    return Readings(
        np.full(n, np.nan),
        np.arange(float(n)),
        np.full(n, hz),
        np.full(n, hz),
        amplitude,
        floor,
        np.zeros(amplitude.shape),
        ~(amplitude > 2.0 * floor),
    )


def test_lines_reach_the_highest_order_observed_and_the_fifth_at_least():
    assert harmonic_lines({"order": np.array([1.0, 2.0])}) == [(n, 0) for n in range(1, 6)]
    assert harmonic_lines({"order": np.array([])}) == [(n, 0) for n in range(1, 6)]
    assert harmonic_lines({"order": np.array([7.0, 1.0])})[-1] == (7, 0)


def test_ratios_and_distortion_without_noise():
    found = Harmonics(read([0.5, 0.015, 0.02, 0.0, 0.0], 0.0), FLAT)
    np.testing.assert_array_equal(found.orders, [2, 3, 4, 5])
    np.testing.assert_allclose(found.ratio, [[0.03, 0.04, 0.0, 0.0]])
    np.testing.assert_allclose(found.single, found.ratio)
    assert found.thd(found.ratio) == pytest.approx([0.05])
    assert found.level_mv == pytest.approx([0.5 * FULL_SCALE_MV])
    assert found.order_max.tolist() == [5]
    assert not found.limited.any()
    assert found.noise == pytest.approx([0.0])


def test_harmonics_are_those_at_the_terminals():
    """What the replay curve took from 3 kHz more than from 1 kHz comes back."""
    h = np.abs(replay_response(np.array([1000.0, 2000.0, 3000.0]), "iec98"))
    found = Harmonics(read(np.array([0.5, 0.01, 0.02]) * h, 0.0), CHAIN)
    np.testing.assert_allclose(found.ratio, [[0.02, 0.04]])
    assert found.level_mv == pytest.approx([0.5 * FULL_SCALE_MV])


def test_noise_power_is_taken_off_fundamental_and_harmonics():
    n = 1e-4
    found = Harmonics(read([0.5, 0.05], n), FLAT)
    clean = np.sqrt(np.array([0.5, 0.05]) ** 2 - n**2)
    np.testing.assert_allclose(found.ratio, [[clean[1] / clean[0]]], rtol=1e-12)
    np.testing.assert_allclose(found.floor, [[n / clean[0]]], rtol=1e-12)
    assert found.noise == pytest.approx([n / clean[0] / np.sqrt(2.0)], rel=1e-4)


def edge():
    """Noise over a single harmonic at which three standard deviations are a tenth of it.

    The power of a line a in noise n has the variance 2 a^2 n^2 + n^4, the noise's own power is
    known within 30 %: Gaussian noise on a constant.
    """
    return brentq(
        lambda r: 3.0 * 0.5 * np.sqrt(2.0 * r**2 + (1.0 + 0.3**2) * r**4) - 0.1, 1e-6, 1.0
    )


@pytest.mark.parametrize(("part", "limited"), [(0.99, False), (1.01, True)])
def test_distortion_is_stated_where_noise_moves_it_by_a_tenth_at_most(part, limited):
    clean = 0.05
    n = part * edge() * clean
    found = Harmonics(read([1.0, np.hypot(clean, n)], [0.0, n]), FLAT)
    assert found.limited.tolist() == [limited]
    assert np.isnan(found.noise).tolist() == [limited]
    # A bound is the reading and what noise exceeds one time in twenty, sqrt(ln 20) of its rms.
    bound = np.hypot(clean, n) + np.sqrt(np.log(20.0)) * n
    assert found.ratio[0, 0] == pytest.approx(bound if limited else clean, rel=1e-5)
    assert found.heard.all()


def test_a_single_harmonic_may_be_a_bound_where_the_distortion_is_stated():
    n = 1e-3
    found = Harmonics(read([1.0, 0.1, 2.0 * n], n), FLAT)
    assert not found.limited.any()
    assert found.single[0, 0] == pytest.approx(found.ratio[0, 0])
    assert np.isfinite(found.single_noise[0, 0])
    assert found.ratio[0, 1] == pytest.approx(np.sqrt(3.0) * n, rel=1e-3)
    assert found.single[0, 1] == pytest.approx((2.0 + np.sqrt(np.log(20.0))) * n, rel=1e-3)
    assert np.isnan(found.single_noise[0, 1])


@pytest.mark.parametrize(("times", "heard"), [(2.01, True), (1.99, False)])
def test_a_fundamental_is_heard_at_twice_its_noise(times, heard):
    n = 0.01
    found = Harmonics(read([times * n, 0.005], [n, 0.0]), FLAT)
    assert found.heard.tolist() == [heard]
    assert found.limited.tolist() == [not heard]
    level = np.sqrt(times**2 - 1.0) if heard else times + np.sqrt(np.log(20.0))
    assert found.level_mv == pytest.approx([level * n * FULL_SCALE_MV], rel=1e-4)
    assert np.isnan(found.thd(found.ratio)).tolist() == [not heard]


def test_what_the_observation_calls_limited_is_not_heard():
    reading = read([0.5, 0.1], 1e-6)
    said = reading._replace(limited=np.array([[True, False]]))
    assert not Harmonics(said, FLAT).heard.any()


def test_orders_that_were_not_observed_are_missing_and_not_zero():
    found = Harmonics(read([[0.5, 0.05, np.nan], [0.5, np.nan, np.nan]], 1e-6), FLAT)
    assert found.order_max.tolist() == [2, 1]
    thd = found.thd(found.ratio)
    assert thd[0] == pytest.approx(0.1)
    assert np.isnan(thd[1])
    assert found.limited.tolist() == [False, True]


def test_a_wave_without_any_harmonic_or_noise_has_no_distortion_to_state():
    found = Harmonics(read([0.5, 0.0, 0.0], 0.0), FLAT)
    assert found.heard.tolist() == [True]
    assert found.limited.tolist() == [True]
