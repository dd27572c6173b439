"""Response of sweeps and steps, in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.budget import USUAL_SPEED_RMS
from grooveledger.measure.quantities.response import measure
from grooveledger.physics.equalisation import recorded_velocity_db
from grooveledger.physics.noise_floor import NOISE_95
from grooveledger.storage import tables
from made_observations import CHAIN, heard, make_context, make_side, orders_of, swapped_chain

HZ = np.geomspace(20.0, 20_000.0, 61)
LAWS = ("constant_velocity", "constant_amplitude", "iec98")


def sweep(hz=HZ, modulation="left", **facts):
    return {"kind": "sweep", "modulation": modulation, "start_hz": float(hz[0]),
            "stop_hz": float(hz[-1]), "duration_s": 30.0, **facts}  # fmt: skip


def cartridge_db(hz):
    """An invented response: a slope and a peak."""
    return 0.5 * np.log2(hz / 1000.0) + 3.0 * np.exp(-(np.log2(hz / 15_000.0) ** 2))


def measured(track, hz, level_db, *, chain=CHAIN, speed=1.0, floor_fs=1e-12, **side_facts):
    """Response rows of a track whose terminals give `level_db` re 1 mV at nominal frequencies.

    The level is that at the right speed: a fast platter gives as much more.
    """
    wave = heard(10.0 ** (np.asarray(level_db) / 20.0) * speed, np.asarray(hz) * speed, chain)
    orders = orders_of(
        1, hz, {1: (wave, 0.5 * wave)}, played_hz=np.asarray(hz) * speed, floor_fs=floor_fs,
        steps=track["kind"] == "tone_steps",
    )  # fmt: skip
    context = make_context(make_side(track, **side_facts), {"orders": orders}, chain=chain)
    return tables.columns(measure(context))


@pytest.mark.parametrize("equalisation", ["iec98", "iec98_rumble", "flat"])
@pytest.mark.parametrize("recorded", LAWS)
@pytest.mark.parametrize("speed", [0.97, 1.0, 1.02])
def test_chain_law_and_speed_are_undone_and_the_cartridge_is_left(equalisation, recorded, speed):
    """The replay curve at the played frequency, the recorded law at the nominal one."""
    chain = replace(CHAIN, equalisation=equalisation)
    hz = np.sort(np.append(HZ, 1000.0 / speed))
    level_db = recorded_velocity_db(hz, recorded) + cartridge_db(hz * speed)
    rows = measured(sweep(recorded=recorded), hz, level_db, chain=chain, speed=speed)
    np.testing.assert_allclose(rows["frequency_hz"], hz * speed)
    true_db = cartridge_db(hz * speed) - cartridge_db(1000.0)
    np.testing.assert_allclose(rows["response_db"], true_db, atol=1e-6)
    assert set(rows["reference_hz"]) == {1000.0}


def test_the_records_calibration_is_taken_off():
    calibration = [(1, 20.0, -1.0), (1, 1000.0, 0.0), (1, 20_000.0, 2.0), (7, 20.0, 9.0)]
    cut_db = np.interp(np.log(HZ), np.log([20.0, 1000.0, 20_000.0]), [-1.0, 0.0, 2.0])
    rows = measured(sweep(), HZ, cut_db, calibration=calibration)
    np.testing.assert_allclose(rows["response_db"], 0.0, atol=1e-6)


def test_the_preamplifiers_deviation_is_taken_off():
    chain = replace(CHAIN, preamplifier_response=((20.0, -3.0), (1000.0, 0.0), (20_000.0, 1.0)))
    heard_db = np.interp(np.log(HZ), np.log([20.0, 1000.0, 20_000.0]), [-3.0, 0.0, 1.0])
    rows = measured(sweep(), HZ, heard_db, chain=chain)
    # `heard` knows of no deviation: the levels given are those after it.
    np.testing.assert_allclose(rows["response_db"], 0.0, atol=1e-6)


def test_steps_keep_their_nominal_frequency():
    hz = [100.0, 1000.0, 10_000.0]
    steps = {"kind": "tone_steps", "modulation": "left", "frequencies_hz": hz, "step_s": 3.0}
    rows = measured(steps, hz, [1.0, 2.0, 4.0], speed=1.01)
    np.testing.assert_array_equal(rows["frequency_hz"], hz)
    np.testing.assert_allclose(rows["played_hz"], 1.01 * np.array(hz))
    np.testing.assert_allclose(rows["response_db"], [-1.0, 0.0, 2.0], atol=1e-9)


def test_a_falling_sweep_gives_the_same():
    rows = measured(sweep(), HZ[::-1], cartridge_db(HZ[::-1]))
    order = np.argsort(rows["frequency_hz"])
    np.testing.assert_allclose(
        rows["response_db"][order], cartridge_db(HZ) - cartridge_db(1000.0), atol=1e-3
    )


# The reference ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "reference_hz"),
    [
        (500.0, 20_000.0, 1000.0),
        (20.0, 1000.0, 1000.0),
        (1000.0 * 1.004, 20_000.0, 1000.0),  # within 0.5 % beyond an end
        (20.0, 1000.0 / 1.004, 1000.0),
        (1000.0 * 1.006, 20_000.0, 1006.0 * np.sqrt(2.0)),  # the lowest octave's centre
        (4000.0, 40_000.0, 4000.0 * np.sqrt(2.0)),
        (20.0, 900.0, 900.0 / np.sqrt(2.0)),
        (20.0, 1000.0 / 1.006, 1000.0 / 1.006 / np.sqrt(2.0)),
        (5000.0, 7000.0, np.sqrt(5000.0 * 7000.0)),  # less than an octave: all of it
    ],
)
def test_reference(low_hz, high_hz, reference_hz):
    hz = np.geomspace(low_hz, high_hz, 81)
    rows = measured(sweep(hz), hz, np.full(81, 3.0))
    np.testing.assert_allclose(rows["reference_hz"], reference_hz, rtol=1e-9)
    np.testing.assert_allclose(rows["response_db"], 0.0, atol=1e-9)


def test_without_1_khz_the_mean_of_the_octave_is_zero():
    hz = np.geomspace(2000.0, 32_000.0, 95)
    rows = measured(sweep(hz), hz, 2.0 * np.log2(hz / 2000.0) + 5.0)
    octave = hz <= 4000.0
    assert np.mean(rows["response_db"][octave]) == pytest.approx(0.0, abs=1e-9)
    np.testing.assert_allclose(np.diff(rows["response_db"]), 8.0 / 94.0, rtol=1e-6)


# Channels, bounds, uncertainty ------------------------------------------------------------------


def test_driven_channels_only_each_re_its_own_reference():
    one = measured(sweep(), HZ, cartridge_db(HZ))
    assert set(one["channel"]) == {"left"}
    both = measured(sweep(modulation="lateral"), HZ, cartridge_db(HZ))
    left, right = (both["response_db"][both["channel"] == name] for name in ("left", "right"))
    np.testing.assert_allclose(left, right, atol=1e-9)
    swapped = measured(sweep(modulation="right"), HZ, cartridge_db(HZ), chain=swapped_chain())
    np.testing.assert_allclose(swapped["response_db"], one["response_db"], atol=1e-9)


def test_points_under_the_noise_are_upper_bounds():
    level_db = np.where(HZ > 10_000.0, -200.0, 0.0)
    rows = measured(sweep(), HZ, level_db, chain=replace(CHAIN, equalisation="flat"), floor_fs=1e-4)
    limited = rows["limited"]
    np.testing.assert_array_equal(limited, HZ > 10_000.0)
    bound_db = 20.0 * np.log10(NOISE_95 * 1e-4 / float(heard(1.0, 1000.0)))
    np.testing.assert_allclose(rows["response_db"][limited], bound_db, atol=1e-3)
    # Noise as large as the reading: the uncertainty of a level has ceased to mean anything.
    assert (rows["uncertainty_db"][limited] > 6.0).all()
    assert (rows["uncertainty_db"][~limited] < 0.1).all()


def test_digital_silence_has_no_response():
    track = sweep()
    orders = orders_of(1, HZ, {1: (0.0, 0.0)}, floor_fs=0.0)
    rows = tables.columns(measure(make_context(make_side(track), {"orders": orders})))
    assert rows["limited"].all()
    assert np.isnan(rows["response_db"]).all()


def test_uncertainty_holds_the_records_and_the_chains_tolerance():
    """JCGM 100, 4.3.7: half-widths over sqrt 3, as squares."""
    chain = replace(CHAIN, response_tolerance_db=0.3)
    rows = measured(sweep(), HZ, np.zeros(61), chain=chain, response_tolerance_db=1.0)
    speed_db = 20.0 / np.log(10.0) * np.sqrt(2.0) * USUAL_SPEED_RMS  # without a speed tone
    np.testing.assert_allclose(rows["speed_db"], speed_db)
    # In full from an octave off 1 kHz, in parts within it, and none at 1 kHz itself.
    share = np.minimum(np.abs(np.log2(HZ / 1000.0)), 1.0)
    expected_db = np.hypot(np.sqrt(1.09 / 3.0) * share, speed_db)
    np.testing.assert_allclose(rows["uncertainty_db"], expected_db, rtol=1e-6)
