"""Readings of a curve against those beside them, in closed form."""

import numpy as np
import pytest

from grooveledger.measure.neighbours import between_neighbours, off_their_neighbours

HZ = 1000.0 * 2.0 ** (np.arange(-132, 104) / 24.0)
SMOOTH_DB = -0.2 * np.log2(HZ / 1000.0) + 3.0 / (1.0 + 16.0 * np.log2(HZ / 12_000.0) ** 2)
FLAT_DB = np.zeros(len(HZ))


def test_noise_excuses_what_it_explains():
    rng = np.random.default_rng(6)
    noisy_db = SMOOTH_DB + rng.normal(0.0, 1.0, len(HZ))
    off = off_their_neighbours(HZ, noisy_db, np.full(len(HZ), 1.0))
    assert off.sum() == 0


def test_steps_are_too_far_apart_to_contradict_one_another():
    hz = 1000.0 * 2.0 ** (np.arange(-12, 13) / 3.0)
    assert not off_their_neighbours(hz, np.where(hz == 1000.0, 9.0, 0.0), np.full(25, 0.1)).any()


@pytest.mark.parametrize("end", [0, -1])
@pytest.mark.parametrize(("off_db", "is_lost"), [(-5.4, True), (4.0, True), (1.5, False)])
def test_an_end_reading_is_confirmed_by_the_line_of_those_inside(end, off_db, is_lost):
    """A window that holds the beginning of the sweep and the silence before it reads low."""
    response_db = SMOOTH_DB.copy()
    response_db[end] += off_db
    off = off_their_neighbours(HZ, response_db, np.full(len(HZ), 0.01))
    assert off[end] == is_lost
    assert off.sum() == is_lost


def test_two_end_readings_that_are_off_do_not_confirm_each_other():
    response_db = SMOOTH_DB.copy()
    response_db[:2] -= (9.0, 5.0)
    off = off_their_neighbours(HZ, response_db, np.full(len(HZ), 0.01))
    assert np.flatnonzero(off).tolist() == [0, 1]


def test_a_roll_off_and_a_peak_at_the_end_are_no_faults():
    x = HZ / 19_500.0
    for q in (0.5, 1.0, 5.0):
        peak_db = -10.0 * np.log10((1.0 - x**2) ** 2 + (x / q) ** 2)
        assert not off_their_neighbours(HZ, peak_db, np.full(len(HZ), 0.01)).any()


@pytest.mark.parametrize(("noise_db", "least_db"), [(0.01, 2.05), (0.2, 3.0)])
def test_a_reading_is_off_by_five_times_its_noise_and_two_decibels(noise_db, least_db):
    for off_db, is_off in ((least_db - 0.02, False), (least_db + 0.02, True)):
        level_db = FLAT_DB.copy()
        level_db[100] = off_db
        off = off_their_neighbours(HZ, level_db, np.full(len(HZ), noise_db))
        assert np.flatnonzero(off).tolist() == ([100] if is_off else [])


@pytest.mark.parametrize(("size_db", "is_rough"), [(0.36, False), (0.37, True)])
def test_an_octave_is_rough_where_half_is_off_by_three_times_the_noise_and_seven_tenths(
    size_db, is_rough
):
    """Readings that alternate by x lie 2 x from the lines between their neighbours."""
    inside = (HZ >= 1000.0) & (HZ < 2000.0)
    level_db = np.where(inside, size_db * (-1.0) ** np.arange(len(HZ)), 0.0)
    off = off_their_neighbours(HZ, level_db, np.full(len(HZ), 0.01))
    np.testing.assert_array_equal(off, inside & is_rough)


@pytest.mark.parametrize(("apart", "is_compared"), [(0.99 / 8.0, True), (1.01 / 8.0, False)])
def test_readings_an_eighth_of_an_octave_apart_are_neighbours(apart, is_compared):
    hz = 1000.0 * 2.0 ** (apart * np.arange(-15, 16))
    level_db = np.where(np.arange(31) == 15, 9.0, 0.0)
    assert off_their_neighbours(hz, level_db, np.full(31, 0.01)).any() == is_compared


def test_what_neighbours_say_is_the_median_of_three_lines():
    """Squares of 0 to 8: the line between the neighbours at n places is n^2 above the middle."""
    hz = 1000.0 * 2.0 ** (np.arange(9) / 24.0)
    said = between_neighbours(hz, np.arange(9.0) ** 2)
    np.testing.assert_allclose(said[3:6], np.arange(3.0, 6.0) ** 2 + 4.0)
    assert np.isnan(said[[0, 1, 2, 6, 7, 8]]).all()


def test_a_line_between_neighbours_is_straight_over_octaves():
    octaves = np.array([0.0, 0.05, 0.12, 0.15, 0.26, 0.28, 0.34, 0.4, 0.41])
    said = between_neighbours(1000.0 * 2.0**octaves, 7.0 * octaves)
    np.testing.assert_allclose(said[3:6], 7.0 * octaves[3:6])


def test_readings_at_one_frequency_have_no_line_between_them():
    hz = np.full(9, 1000.0)
    assert np.isnan(between_neighbours(hz, np.arange(9.0))).all()
    assert not off_their_neighbours(hz, 9.0 * (np.arange(9) == 4), np.full(9, 0.01)).any()


@pytest.mark.parametrize(("low_db", "is_off"), [(4.9, False), (5.1, True)])
def test_an_ends_allowance_has_the_noise_of_the_line_it_is_held_against(low_db, is_off):
    """The line goes as far on as its two readings are apart: noise of 1, 2 and 1 parts, 0.25 dB.

    Five times that, sqrt 6 of it, and 2 dB are 5.06 dB.
    """
    hz = 1000.0 * 2.0 ** (np.arange(12) / 24.0)
    level_db = np.where(np.arange(12) == 0, -low_db, 0.0)
    off = off_their_neighbours(hz, level_db, np.full(12, 0.25))
    assert off.tolist() == [is_off] + [False] * 11


@pytest.mark.parametrize(("apart", "is_off"), [(0.124, True), (0.126, False)])
def test_an_end_is_held_against_two_readings_within_a_quarter_of_an_octave(apart, is_off):
    hz = 1000.0 * 2.0 ** (apart * np.arange(12))
    off = off_their_neighbours(hz, np.where(np.arange(12) == 11, 9.0, 0.0), np.full(12, 0.01))
    assert off[11] == is_off


@pytest.mark.parametrize(("count", "is_rough"), [(11, False), (13, True)])
def test_an_octave_is_rough_by_the_median_of_its_readings(count, is_rough):
    """What goes up by 1 dB at every other reading is off by 1 dB there."""
    inside = np.flatnonzero((HZ >= 1000.0) & (HZ < 2000.0))
    level_db = FLAT_DB.copy()
    level_db[inside[:count]] = 0.5 * (-1.0) ** np.arange(count)
    off = off_their_neighbours(HZ, level_db, np.full(len(HZ), 0.01))
    assert off.any() == is_rough
