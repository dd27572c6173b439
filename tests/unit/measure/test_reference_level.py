"""The level that a response refers to: confirmed by its neighbours, never a single odd reading."""

import numpy as np
import pytest

from grooveledger.measure.reference_level import OFF_DB, OFF_SIGMAS, reference_of

NOISE_DB = 0.05
#: A reading is off beyond this.
EDGE_DB = OFF_SIGMAS * NOISE_DB + OFF_DB


def curve(off_db=0.0, per_octave=24, slope_db=0.0, low_hz=500.0, high_hz=2000.0):
    """A straight response with one reading, at 1 kHz, that is off."""
    octaves = np.arange(-20 * per_octave, 20 * per_octave + 1) / per_octave
    hz = 1000.0 * 2.0**octaves
    inside = (hz >= low_hz) & (hz <= high_hz)
    level_db = 2.0 + slope_db * octaves + np.where(octaves == 0.0, off_db, 0.0)
    return hz[inside], level_db[inside]


def reference(hz, level_db, noise_db=NOISE_DB, limited=False):
    n = len(hz)
    return reference_of(hz, level_db, np.full(n, noise_db), np.full(n, limited))


@pytest.mark.parametrize(("part", "stays"), [(0.95, True), (1.05, False)])
@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("slope_db", [0.0, 3.0])
def test_a_reading_is_off_beyond_its_noise_and_what_a_response_may_bend(
    part, stays, sign, slope_db
):
    off_db = sign * part * EDGE_DB
    stated = reference(*curve(off_db, slope_db=slope_db))
    assert stated.frequency_hz == 1000.0
    assert stated.level_db == pytest.approx(2.0 + (off_db if stays else 0.0), abs=1e-9)


def test_the_edge_is_four_standard_deviations_and_a_tenth_of_a_decibel():
    assert pytest.approx(0.3) == EDGE_DB


def test_few_readings_confirm_nothing():
    """Third octaves: two readings beside 1 kHz within a sixth of an octave are no line."""
    hz, level_db = curve(3.0, per_octave=3)
    assert reference(hz, level_db).level_db == pytest.approx(5.0)


@pytest.mark.parametrize(("low_hz", "high_hz"), [(1200.0, 9000.0), (100.0, 700.0)])
def test_a_curve_that_does_not_reach_1khz_refers_to_its_nearest_octave(low_hz, high_hz):
    hz, level_db = curve(low_hz=low_hz, high_hz=high_hz, slope_db=1.0)
    least, most = (hz[0], 2.0 * hz[0]) if low_hz > 1000.0 else (hz[-1] / 2.0, hz[-1])
    inside = (hz >= least) & (hz <= most)
    stated = reference(hz, level_db)
    assert stated.frequency_hz == pytest.approx(np.sqrt(least * most))
    assert stated.level_db == pytest.approx(level_db[inside].mean())
    assert stated.noise_db == pytest.approx(NOISE_DB / np.sqrt(inside.sum()))


def test_bounds_are_no_reference():
    stated = reference(*curve(), limited=True)
    assert stated.frequency_hz == 1000.0
    assert np.isnan(stated.level_db)


def test_tones_far_from_1khz_refer_to_the_nearest_of_them():
    hz = np.array([400.0, 900.0, 2500.0])
    stated = reference(hz, np.array([1.0, 2.0, 3.0]))
    assert (stated.frequency_hz, stated.level_db) == (900.0, 2.0)


def test_a_curve_that_only_bounds_take_down_to_1khz_refers_to_an_octave_of_readings():
    hz, level_db = curve(low_hz=900.0, high_hz=4000.0)
    bounds = hz < 1010.0
    stated = reference_of(hz, level_db, np.full(len(hz), NOISE_DB), bounds)
    assert stated.frequency_hz == pytest.approx(np.sqrt(2.0) * hz[~bounds][0])
    assert stated.level_db == pytest.approx(2.0)


def test_the_two_readings_nearest_to_1_khz_decide_and_no_third():
    """On 1 kHz itself: that reading, and of its neighbours the lower one."""
    hz, level_db = curve(0.2)
    above, below = (int(np.argmin(np.abs(hz / 1000.0 - 2.0**x))) for x in (1 / 24, -1 / 24))
    for place, expected_db in ((above, 2.2), (below, 2.0)):
        off = level_db.copy()
        off[place] += 5.0
        assert reference(hz, off).level_db == pytest.approx(expected_db)
