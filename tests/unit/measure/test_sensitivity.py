"""Sensitivity of level tones or of the data sheet, in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.sensitivity import sensitivity_mv_per_cm_s
from grooveledger.plan import Cartridge
from made_observations import CARTRIDGE, CHAIN, joined, make_context, make_side, orders_of

FLAT = replace(CHAIN, equalisation="flat")
#: Full scale of 2 V rms through 40 dB is 20 mV.
FULL_SCALE_MV = 20.0
VELOCITY_CM_S = 5.0


def tone(modulation, frequency_hz, velocity_cm_s=VELOCITY_CM_S):
    return {
        "kind": "tone",
        "modulation": modulation,
        "frequency_hz": frequency_hz,
        "velocity_cm_s": velocity_cm_s,
        "velocity_measure": "rms",
        "duration_s": 9.0,
    }


def found(*tones, cartridge=CARTRIDGE, floor_fs=1e-9):
    """Sensitivity by level tones of (modulation, frequency, mV a cm/s of the driven channel)."""
    side = make_side(*(tone(modulation, hz) for modulation, hz, _ in tones))
    parts = []
    for number, (modulation, hz, sensitivity) in enumerate(tones, start=1):
        amplitude = sensitivity * VELOCITY_CM_S / FULL_SCALE_MV
        both = (amplitude, 0.0) if modulation == "left" else (0.0, amplitude)
        parts.append(orders_of(number, hz, {1: both}, floor_fs=floor_fs, start_s=10.0 * number))
    context = make_context(side, {"orders": joined(*parts)}, None, FLAT, cartridge)
    return sensitivity_mv_per_cm_s(context)


def test_each_channel_has_that_of_its_own_tone():
    sensitivity, source, hz = found(("left", 1000.0, 1.2), ("right", 1000.0, 1.0))
    assert sensitivity == pytest.approx({"left": 1.2, "right": 1.0})
    assert (source, hz) == ("measured", 1000.0)


@pytest.mark.parametrize(
    ("hz", "is_measured"), [(298.0, False), (300.0, True), (1100.0, True), (1102.0, False)]
)
def test_level_tones_lie_between_300_hz_and_1_khz(hz, is_measured):
    _, source, stated_hz = found(("left", hz, 1.2), ("right", 1000.0, 1.0))
    assert source == ("measured" if is_measured else "rated")
    assert stated_hz == (hz if is_measured and hz < 1000.0 else 1100.0 if is_measured else None)


def test_the_tones_nearest_to_1_khz_count_and_the_farther_of_them_is_stated():
    sensitivity, _, hz = found(
        ("left", 315.0, 3.0), ("left", 800.0, 1.2), ("right", 400.0, 1.0), ("left", 500.0, 4.0)
    )
    assert sensitivity == pytest.approx({"left": 1.2, "right": 1.0})
    assert hz == 400.0


@pytest.mark.parametrize(("first_hz", "counts"), [(944.0, True), (942.0, False)])
def test_a_tone_within_six_per_cent_is_one_of_1_khz(first_hz, counts):
    """The first of the plan among equals: 1 kHz over 1.06 is 943.4 Hz."""
    sensitivity, _, hz = found(
        ("left", first_hz, 1.2), ("left", 1000.0, 3.0), ("right", 1000.0, 1.0)
    )
    assert sensitivity["left"] == pytest.approx(1.2 if counts else 3.0)
    assert hz == 1000.0


def test_a_tone_that_is_a_bound_or_of_no_stated_velocity_counts_for_nothing():
    # 4.2 mV at 5 cm/s peak is 4.2 / 3.5355 = 1.1879 rms mV a rms cm/s.
    sensitivity, source, _ = found(("left", 1000.0, 1.2), ("right", 1000.0, 1.0), floor_fs=0.5)
    assert source == "rated"
    assert sensitivity == pytest.approx(dict.fromkeys(("left", "right"), 1.18794), abs=1e-5)
    side = make_side(tone("left", 1000.0), tone("right", 1000.0, None))
    orders = joined(*(orders_of(n, 1000.0, {1: (0.2, 0.2)}) for n in (1, 2)))
    context = make_context(side, {"orders": orders}, None, FLAT)
    assert sensitivity_mv_per_cm_s(context)[1:] == ("rated", None)


def test_without_tones_or_data_sheet_nothing_is_known():
    bare = Cartridge("mm-one", "moving_magnet", rated={})
    sensitivity, source, hz = found(("left", 1000.0, 1.2), cartridge=bare)
    assert np.isnan(list(sensitivity.values())).all()
    assert list(sensitivity) == ["left", "right"]
    assert source is None
    assert hz is None
