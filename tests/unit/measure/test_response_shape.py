"""Peak, upper limit and deviation of a response against closed forms, and what moves them."""

import numpy as np
import pytest

from grooveledger.measure import response_shape
from grooveledger.measure.response_shape import peak, upper_limit_hz

HZ = 1000.0 * 2.0 ** (np.arange(-48, 105) / 24.0)


def test_a_peak_counts_from_an_octave_above_1_khz():
    for top_hz, counts in ((1900.0, False), (2100.0, True)):
        peak_hz, peak_db = peak(HZ, 2.0 - np.log2(HZ / top_hz) ** 2)
        assert np.isfinite(peak_hz) == counts
        assert not counts or peak_hz == pytest.approx(top_hz, rel=1e-3)
        assert not counts or peak_db == pytest.approx(2.0, abs=1e-3)


def test_what_is_louder_below_1_khz_is_no_treble_peak():
    assert np.isnan(peak(HZ, -np.log2(HZ / 300.0))[0])
    assert np.isnan(peak(HZ[HZ < 1000.0], HZ[HZ < 1000.0])[0])
    # A curve that ends below the octave has no peak either.
    short = HZ < 1990.0
    assert np.isnan(peak(HZ[short], HZ[short])[0])


def test_a_curve_that_rises_to_its_end_has_its_peak_there():
    assert peak(HZ, np.log2(HZ)) == (HZ[-1], np.log2(HZ[-1]))


def test_a_peak_between_points_too_far_apart_is_unknown():
    hz = np.array([1000.0, 4000.0, 8000.0, 16_000.0])
    assert np.isnan(peak(hz, np.array([0.0, 1.0, 3.0, 1.0]))[0])


def test_the_vertex_lies_between_the_points():
    """A parabola on log frequency is met exactly."""
    hz = np.array([8000.0, 9000.0, 10_000.0, 11_000.0, 12_000.0])
    peak_hz, peak_db = peak(hz, 4.0 - 7.0 * np.log(hz / 9700.0) ** 2)
    assert (peak_hz, peak_db) == pytest.approx((9700.0, 4.0))


def test_the_upper_limit_is_the_first_3_db_above_1_khz():
    fall_db = -3.0 * (HZ / 10_000.0) ** 2
    assert upper_limit_hz(HZ, fall_db) == pytest.approx(10_000.0, rel=1e-3)
    dip_db = np.where((HZ > 4000.0) & (HZ < 5000.0), -3.5, fall_db)
    assert 3800.0 < upper_limit_hz(HZ, dip_db) < 4150.0
    assert np.isnan(upper_limit_hz(HZ, np.maximum(fall_db, -2.99)))
    # What is down in the bass only has no upper limit, nor what does not pass 1 kHz.
    assert np.isnan(upper_limit_hz(HZ, np.where(HZ < 900.0, -5.0, 0.0)))
    assert np.isnan(upper_limit_hz(HZ[HZ > 1100.0], fall_db[HZ > 1100.0]))


def test_a_limit_between_points_too_far_apart_is_unknown():
    hz = np.array([500.0, 1000.0, 1250.0, 1600.0, 2500.0])
    assert np.isnan(upper_limit_hz(hz, np.array([0.0, 0.0, -1.0, -2.0, -4.0])))


@pytest.mark.parametrize("slope_db", [6.0, 12.0])
def test_the_limit_moves_by_the_slope_about_it(slope_db):
    """A straight fall of so many dB an octave: 1 dB is the octave's share of it."""
    fall_db = -slope_db * np.log2(HZ / 5000.0) - 3.0
    per_db = response_shape._limit_hz_per_db(HZ, fall_db, 5000.0)
    assert per_db == pytest.approx(5000.0 * np.log(2.0) / slope_db)
    assert np.isnan(response_shape._limit_hz_per_db(HZ, -fall_db, 5000.0))
    assert np.isnan(response_shape._limit_hz_per_db(HZ, fall_db, np.nan))


def test_a_tilt_moves_a_sharp_peak_little_and_a_flat_one_to_half():
    """The vertex of -b x^2 + t x is t / 2 b, in nepers; t is 1 dB an octave."""
    for bend, moved in ((10.0, 12_000.0 / np.log(2.0) / 20.0), (1.0, 6000.0)):
        shape_db = -bend * np.log(HZ / 12_000.0) ** 2
        assert response_shape._peak_hz_per_db(HZ, shape_db, 12_000.0) == pytest.approx(moved)
    assert np.isnan(response_shape._peak_hz_per_db(HZ, shape_db, np.nan))
    assert np.isnan(response_shape._peak_hz_per_db(HZ[::24], shape_db[::24], 12_000.0))


def test_another_place_may_be_the_peak_as_far_as_both_are_known():
    two_db = 3.0 * np.exp(-(np.log2(HZ / 14_000.0) ** 2) * 20.0)
    two_db += 2.8 * np.exp(-(np.log2(HZ / 4000.0) ** 2) * 20.0)
    at = float(HZ[np.argmax(two_db)])
    apart_db = two_db.max() - two_db[HZ < 6000.0].max()
    # As high within 1.645 times the root of the sum of both u squared.
    enough_db = apart_db / (1.645 * np.sqrt(2.0))
    for u_db, rival_hz in ((0.97 * enough_db, at), (1.03 * enough_db, 4000.0)):
        away = response_shape._furthest_rival_hz(HZ, two_db, at, np.full(len(HZ), u_db))
        assert away == pytest.approx(rival_hz, rel=0.04)
    assert np.isnan(response_shape._furthest_rival_hz(HZ, two_db, np.nan, two_db))


@pytest.mark.parametrize("far", [0, -1])
def test_only_the_points_beside_the_highest_must_be_near(far):
    hz = np.array([8000.0, 9000.0, 10_000.0, 11_000.0, 12_000.0])
    hz[far] = 4000.0 if far == 0 else 20_000.0
    peak_hz, _ = peak(hz, 4.0 - 7.0 * np.log(hz / 9900.0) ** 2)
    assert peak_hz == pytest.approx(9900.0)
