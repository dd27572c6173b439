"""Response along the axis of a low sweep, from waves in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.axis_response import axis_response
from made_observations import CHAIN, make_context, make_side, orders_of

FLAT = replace(CHAIN, equalisation="flat")
HZ = np.geomspace(25.0, 4.0, 40)
SWEEP = {
    "kind": "sweep",
    "purpose": "resonance",
    "modulation": "lateral",
    "start_hz": 25.0,
    "stop_hz": 4.0,
    "duration_s": 60.0,
}


def response(left, right, floor_fs=1e-9, hz=HZ, **facts):
    side = make_side({**SWEEP, **facts})
    orders = orders_of(1, hz, {1: (left, right)}, floor_fs=floor_fs)
    return axis_response(make_context(side, {"orders": orders}, chain=FLAT), side.tracks[0])


def slope(hz):
    """A response of 6 dB an octave, 0.1 of full scale at 12.5 Hz."""
    return 0.1 * hz / 12.5


@pytest.mark.parametrize("modulation", ["lateral", "vertical"])
def test_a_slope_along_the_axis_reads_nothing_at_half_the_upper_end(modulation):
    sign = 1.0 if modulation == "lateral" else -1.0
    across = 0.03
    found = response(slope(HZ) + across, sign * (slope(HZ) - across), modulation=modulation)
    np.testing.assert_array_equal(found.frequency_hz, HZ[::-1])
    np.testing.assert_allclose(found.response_db, 20 * np.log10(HZ[::-1] / 12.5), atol=1e-9)


def test_a_law_of_constant_amplitude_is_taken_out():
    found = response(slope(HZ), slope(HZ), recorded="constant_amplitude")
    np.testing.assert_allclose(found.response_db, 0.0, atol=1e-9)


def test_noise_is_that_of_both_channels_in_phase_with_the_signal():
    """Signals add, noises add in power: 20 / ln 10 n / (2 s) dB for equal channels."""
    n = 1e-4
    found = response(slope(HZ), slope(HZ), floor_fs=n)
    expected = 20.0 / np.log(10.0) * n / (2.0 * slope(HZ[::-1]))
    np.testing.assert_allclose(found.noise_db, expected, rtol=1e-5)


def test_what_is_not_twice_its_noise_is_left_out_and_noise_power_taken_off():
    """Equal channels s in noise n each: heard where sqrt 2 s is at least 2 n."""
    s = np.full(len(HZ), 1.0)
    s[3], s[7] = 0.99 * np.sqrt(2.0) * 0.1, 1.01 * np.sqrt(2.0) * 0.1
    found = response(s, s, floor_fs=0.1)
    assert HZ[3] not in found.frequency_hz
    assert len(found.frequency_hz) == len(HZ) - 1
    weak = found.response_db[found.frequency_hz == HZ[7]]
    power = (2.0 * s[7] ** 2 - 0.1**2) / (2.0 - 0.1**2)
    assert weak == pytest.approx([10.0 * np.log10(power)])


def test_a_sweep_along_the_other_axis_leaves_nothing():
    found = response(slope(HZ), slope(HZ), floor_fs=1e-6, modulation="vertical")
    assert len(found.frequency_hz) == 0
