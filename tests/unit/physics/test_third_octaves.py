"""Bands of a third of an octave."""

import numpy as np
import pytest

from grooveledger.physics.third_octaves import in_bands, noise_power_db, third_octaves

BANDS = third_octaves()


def test_middles_and_edges_are_those_of_the_base_ten_system():
    """IEC 61260-1: 1000 Hz times 10 ** (x / 10), edges at 10 ** (1 / 20) to either side."""
    x = np.arange(-17, 14)
    np.testing.assert_allclose(BANDS.middle_hz, 1000.0 * 10.0 ** (x / 10.0), rtol=1e-12)
    np.testing.assert_allclose(BANDS.low_hz, 1000.0 * 10.0 ** ((x - 0.5) / 10.0), rtol=1e-12)
    np.testing.assert_allclose(BANDS.high_hz[:-1], BANDS.low_hz[1:], rtol=1e-12)


def test_nominal_frequencies_are_the_rounded_middles():
    """ISO 266: the same digits in every decade, none more than 1.3 % from the exact middle."""
    assert len(BANDS.nominal_hz) == 31
    np.testing.assert_allclose(BANDS.nominal_hz, BANDS.middle_hz, rtol=0.013)
    np.testing.assert_allclose(BANDS.nominal_hz[10:20] * 10.0, BANDS.nominal_hz[20:30], rtol=1e-12)
    # Exact ones as a table of the standard gives them.
    for nominal_hz, exact_hz in (
        (31.5, 31.623),
        (125.0, 125.89),
        (800.0, 794.33),
        (1600.0, 1584.9),
    ):
        middle_hz = BANDS.middle_hz[BANDS.nominal_hz == nominal_hz][0]
        assert middle_hz == pytest.approx(exact_hz, rel=5e-5)


def test_pink_noise_has_equal_power_in_every_band():
    """The integral of 1 / f over a band is the logarithm of its ratio: a tenth of ln 10."""
    edges_hz = np.geomspace(10.0, 30_000.0, 20_001)
    powers = np.diff(np.log(edges_hz))
    inside = in_bands(edges_hz, powers, BANDS.low_hz, BANDS.high_hz)
    np.testing.assert_allclose(inside, 0.1 * np.log(10.0), rtol=1e-6)


def test_a_mean_square_scatters_as_so_many_independent_ones():
    """Complex Gaussian lines, B T of them: their mean square against the formula."""
    generator = np.random.default_rng(5)
    lines = generator.standard_normal((20_000, 50, 2))
    power = np.mean(lines**2, axis=(1, 2))
    scatter_db = np.std(10.0 * np.log10(power))
    assert scatter_db == pytest.approx(float(noise_power_db(50.0, 1.0)), rel=0.03)
