"""Hum above the noise around it: unbiased, and just inside and outside of what is a line."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import gamma

from grooveledger.measure.hum import HUM_HARMONICS, hum

WIDTH_HZ = 0.5
HZ = np.arange(10.0, 700.0, WIDTH_HZ)
WIDTHS = np.full(len(HZ), WIDTH_HZ)
MAINS_HZ = 50.0
#: A line is looked for within 0.2 % and two bands: at 50 Hz within 1.1 Hz, in five bands.
REACH_BANDS = 5


def with_lines(noise, power, harmonics=range(1, HUM_HARMONICS + 1)):
    """Density of a noise with lines of some power, each in one band."""
    density = np.broadcast_to(noise, HZ.shape).copy()
    for harmonic in harmonics:
        density[np.argmin(np.abs(HZ - harmonic * MAINS_HZ))] += power / WIDTH_HZ
    return density


def read(density, seconds=1e6):
    return hum(density, HZ, WIDTHS, seconds, MAINS_HZ)


def test_the_lines_of_the_first_ten_harmonics_are_summed():
    power, limited = read(with_lines(1e-12, 1e-6))
    assert power == pytest.approx(1e-5, rel=1e-5)
    assert not limited
    beyond = with_lines(1e-12, 1e-6, (11, 12))
    assert read(beyond)[1]
    one, _ = read(with_lines(1e-12, 1e-6, (10,)))
    assert one == pytest.approx(1e-6, rel=1e-5)


@pytest.mark.parametrize(("off_hz", "is_found"), [(1.0, True), (1.5, False)])
def test_a_line_is_found_where_the_mains_wander_and_two_bands_more(off_hz, is_found):
    density = np.full(len(HZ), 1e-12)
    density[np.argmin(np.abs(HZ - (MAINS_HZ + off_hz)))] += 1e-6 / WIDTH_HZ
    assert read(density)[1] != is_found


def test_the_noise_beneath_is_taken_off_without_bias():
    """Bands that each are the mean of few independent powers (a gamma distribution).

    Of so few the median lies 11 % below the mean: of the noise beneath all lines, that is seen.
    """
    seconds, noise, line = 4.0, 1e-6, 1e-5
    # A Hann window's band is half as wide again as its step (Harris 1978).
    averages = 1.5 * WIDTH_HZ * seconds
    rng = np.random.default_rng(4)
    assert gamma.median(averages) / averages == pytest.approx(0.893, abs=0.002)
    beneath = HUM_HARMONICS * REACH_BANDS * WIDTH_HZ * noise
    found = [
        read(with_lines(noise * rng.gamma(averages, 1.0 / averages, len(HZ)), line), seconds)[0]
        for _ in range(300)
    ]
    assert np.mean(found) - HUM_HARMONICS * line == pytest.approx(0.0, abs=0.05 * beneath)


#: Width of the bands in which each line is looked for.
BANDS_HZ = WIDTH_HZ * np.array(
    [np.sum(np.abs(HZ - h * 50.0) <= 0.1 * h + 1.0) for h in range(1, 11)]
)


@pytest.mark.parametrize(("sigmas", "stands_out"), [(5.9, False), (6.1, True)])
def test_a_line_stands_out_by_six_standard_deviations_of_the_noise_in_its_bands(sigmas, stands_out):
    """The mean over a time T and a bandwidth B scatters by 1 / sqrt(B T) of itself."""
    seconds, noise = 4000.0, 1e-6
    scatter = noise * BANDS_HZ[0] / np.sqrt(BANDS_HZ[0] * seconds)
    power, is_bound = read(with_lines(noise, sigmas * scatter, (1,)), seconds)
    # One line in the noise of ten is no sum to state.
    assert is_bound
    everything = noise * BANDS_HZ.sum() + sigmas * scatter
    spread = 2.0 * noise * np.sqrt(BANDS_HZ.sum() / seconds)
    expected = sigmas * scatter + spread if stands_out else everything
    assert power == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(("spread_db", "limited"), [(0.98, False), (1.02, True)])
def test_a_sum_that_noise_may_move_by_a_decibel_is_a_bound(spread_db, limited):
    """Twice the standard deviation of one line and of what noise is beneath all ten."""
    seconds, noise = 4000.0, 1e-6

    def off_db(line):
        variance = np.sum(noise**2 * BANDS_HZ) + 2.0 * line * noise
        return 10.0 * np.log10(1.0 + 2.0 * np.sqrt(variance / seconds) / line) - spread_db

    line = brentq(off_db, 1e-9, 1e-3)
    power, is_bound = read(with_lines(noise, line, (1,)), seconds)
    assert is_bound == limited
    assert power == pytest.approx(line * (10.0 ** (spread_db / 10.0) if limited else 1.0), rel=0.01)


def test_silence_has_no_hum_and_no_bound_above_it():
    assert read(np.zeros(len(HZ))) == (0.0, True)
