"""Power of lines at given frequencies against time."""

from itertools import pairwise

import numpy as np
import pytest

from grooveledger.observe.lines import line_power, octaves

RATE_HZ = 48_000.0


@pytest.mark.parametrize("hz", [40.0, 333.0, 9_000.0])
@pytest.mark.parametrize("window_s", [0.1, 0.100_03])  # an even and an odd number of samples
def test_a_sine_of_peak_one_has_power_one_at_its_frequency_alone(hz: float, window_s: float):
    turns = hz * np.arange(int(RATE_HZ)) / RATE_HZ
    samples = np.stack([np.cos(2 * np.pi * turns), np.sin(2 * np.pi * turns)]).astype(np.float32)
    (level,) = (
        level for level in octaves(samples, RATE_HZ, hz) if level.low_hz < hz <= level.top_hz
    )
    at_s = np.array([0.3, 0.5])
    power = line_power(level, at_s, np.array([hz, hz + 4.0 / window_s]), window_s)
    # Smoothing by 1 3 3 1 takes 0.2 dB at 0.1 of a rate, and its own part at each rate above.
    assert 10.0 * np.log10(power[:, :, 0]) == pytest.approx(0.0, abs=2.0)
    assert power[:, :, 1].max() < 1e-3 * power[:, :, 0].min()


def test_the_octaves_tile_the_frequencies():
    levels = list(octaves(np.zeros((2, 4096), np.float32), RATE_HZ, 100.0))
    assert levels[0].top_hz == 0.5 * RATE_HZ
    assert levels[-1].low_hz < 100.0
    assert all(a.low_hz == b.top_hz for a, b in pairwise(levels))


def test_how_many_samples_are_halved_at_a_time_changes_nothing(monkeypatch):
    """No sample at a seam lacks its neighbours: it would sound like a tick."""
    samples = np.random.default_rng(0).standard_normal((2, 1001)).astype(np.float32)
    wholes = [level.samples for level in octaves(samples, RATE_HZ, 2000.0)]
    monkeypatch.setattr("grooveledger.observe.lines.HALVED_AT_A_TIME", 7)
    parts = [level.samples for level in octaves(samples, RATE_HZ, 2000.0)]
    assert [len(whole.T) for whole in wholes] == [1001, 500, 250]
    for whole, part in zip(wholes, parts, strict=True):
        np.testing.assert_array_equal(part, whole)
