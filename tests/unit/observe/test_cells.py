"""Noise of readings near an end, where there are few windows to read it from."""

import numpy as np

from grooveledger.observe.cells import _smoothed
from grooveledger.observe.swept import _as_noisy

REACH = 24


def test_noise_near_an_end_is_averaged_over_as_many_frames_as_elsewhere():
    noise = np.random.default_rng(1).exponential(size=(300, 2, 2))
    # By chance both ends are quiet.
    noise[:20] = noise[-20:] = 0.1
    keep = np.ones(300)
    keep[100:110] = 0.0
    read = _smoothed(noise, keep, REACH)
    whole = 2 * REACH + 1
    np.testing.assert_allclose(read[0], noise[:whole].mean(axis=0))
    np.testing.assert_allclose(read[-1], noise[-whole:].mean(axis=0))
    np.testing.assert_allclose(read[200], noise[200 - REACH : 201 + REACH].mean(axis=0))
    rising = np.arange(300.0)[:, None, None] * np.ones((1, 2, 2))
    np.testing.assert_allclose(_smoothed(rising, np.ones(300), REACH)[-1], 299.0 - 0.5 * REACH)


def test_frames_beside_ticks_alone_have_their_own_noise():
    noise = np.random.default_rng(2).exponential(size=(30, 1, 2))
    np.testing.assert_array_equal(_smoothed(noise, np.zeros(30), REACH), noise)


def test_an_end_reading_has_no_less_noise_than_the_readings_next_to_it():
    def rows(time_s, floor_fs, bandwidth_hz, amplitude_fs):
        n = len(time_s)
        return {
            "order": np.full(n, 3), "channel": np.full(n, "left", dtype=object),
            "time_s": np.array(time_s), "floor_fs": np.array(floor_fs),
            "bandwidth_hz": np.array(bandwidth_hz), "amplitude_fs": np.array(amplitude_fs),
            "limited": np.zeros(n, bool),
        }  # fmt: skip

    beside = rows([1.0, 1.1, 1.2, 1.3, 9.0], [1e-4, 1e-4, 1e-4, 5e-4, 9e-4], [10.0] * 5, [1e-3] * 5)
    quiet = _as_noisy(rows([0.9], [3e-5], [40.0], [1e-3]), [beside])
    np.testing.assert_allclose(quiet["floor_fs"], [2e-4])
    assert not quiet["limited"].any()
    assert _as_noisy(rows([0.9], [3e-5], [40.0], [3e-4]), [beside])["limited"].all()
    loud = _as_noisy(rows([0.9], [8e-4], [40.0], [1e-2]), [beside])
    np.testing.assert_allclose(loud["floor_fs"], [8e-4])
