"""From full scale to the terminals, in closed form (IEC 60098 for the curves and the walls)."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.terminals import (
    by_channel,
    chain_response,
    channel_velocity_rms_cm_s,
    denoised,
    output_mv,
    recorded_deviation_db,
)
from grooveledger.physics.equalisation import replay_response
from made_observations import CHAIN, make_side

HZ = np.array([20.0, 1000.0, 20_000.0])


def track(**facts):
    facts = {"kind": "tone", "modulation": "left", "duration_s": 5, "frequency_hz": 1e3, **facts}
    return make_side(facts).tracks[0]


def test_a_full_scale_sine_is_full_scale_over_gain():
    """2 V rms at 40 dB of gain are 20 mV at 1 kHz, where every curve is 1."""
    for equalisation in ("flat", "iec98", "iec98_rumble"):
        chain = replace(CHAIN, equalisation=equalisation)
        assert output_mv(1.0, 1000.0, chain) == pytest.approx(20.0)
        assert output_mv(0.5, 1000.0, replace(chain, gain_db=60.0)) == pytest.approx(1.0)
        assert output_mv(1.0, 1000.0, replace(chain, full_scale_v_rms=1.0)) == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("equalisation", "replayed_db"),
    # IEC 60098: +19.274 dB at 20 Hz, -19.620 dB at 20 kHz; with 7950 us -3.0 dB more at 20 Hz.
    [
        ("flat", (0.0, 0.0, 0.0)),
        ("iec98", (19.274, 0.0, -19.620)),
        ("iec98_rumble", (16.26, 0.0, -19.62)),
    ],
)
def test_the_replay_curve_is_undone(equalisation, replayed_db):
    found_db = 20.0 * np.log10(output_mv(np.ones(3), HZ, replace(CHAIN, equalisation=equalisation)))
    np.testing.assert_allclose(found_db - found_db[1], -np.array(replayed_db), atol=0.01)


def test_complex_readings_lose_the_curves_phase_too():
    replayed = replay_response(HZ, "iec98")
    np.testing.assert_allclose(output_mv(0.1 * replayed, HZ, CHAIN), 2.0 + 0j, rtol=1e-12)


def test_the_preamplifiers_own_deviation_is_undone_and_held_beyond_its_ends():
    chain = replace(
        CHAIN, equalisation="flat", preamplifier_response=((100.0, 1.0), (10_000.0, -3.0))
    )
    hz = np.array([20.0, 100.0, 1000.0, 10_000.0, 40_000.0])
    found_db = 20.0 * np.log10(output_mv(np.ones(5), hz, chain) / 20.0)
    # Half-way on log frequency at 1 kHz.
    np.testing.assert_allclose(found_db, [-1.0, -1.0, 1.0, 3.0, 3.0], atol=1e-12)
    assert np.isrealobj(np.abs(chain_response(hz, chain)))


def columns():
    return {
        "channel": np.array(["left", "right", "sum"], object),
        "phase_deg": np.array([0.0, 90.0, 10.0]),
    }


def test_channels_are_exchanged_first_then_inverted():
    named = by_channel(columns(), replace(CHAIN, swap_channels=True, invert=("left",)))
    assert list(named["channel"]) == ["right", "left", "sum"]
    # The file's right channel is the cartridge's left one: that is the inverted one.
    np.testing.assert_array_equal(named["phase_deg"], [0.0, 270.0, 10.0])


def test_a_plain_chain_changes_no_name_and_no_phase_and_never_its_input():
    given = columns()
    named = by_channel(given, CHAIN)
    np.testing.assert_array_equal(named["channel"], given["channel"])
    by_channel(given, replace(CHAIN, swap_channels=True, invert=("left", "right")))
    np.testing.assert_array_equal(given["phase_deg"], [0.0, 90.0, 10.0])
    assert given["channel"][0] == "left"


def test_noise_power_is_taken_off():
    np.testing.assert_allclose(
        denoised(np.array([5.0, 5.0, 3.0, 0.0]), np.array([3.0, np.nan, 4.0, 0.0])),
        [4.0, 5.0, 0.0, 0.0],
    )


@pytest.mark.parametrize(
    ("modulation", "measure", "rms_cm_s"),
    [("left", "rms", 5.0), ("right", "peak", 3.5355), ("lateral", "rms", 3.5355),
     ("lateral", "peak", 2.5), ("vertical", "peak", 2.5)],
)  # fmt: skip
def test_a_channels_velocity(modulation, measure, rms_cm_s):
    """IEC 60098: 45 degree walls, so that each has 1/sqrt 2 of a lateral velocity."""
    one = track(modulation=modulation, velocity_cm_s=5.0, velocity_measure=measure)
    found = channel_velocity_rms_cm_s(one, np.array([1000.0]), make_side())
    assert found == pytest.approx(rms_cm_s, abs=1e-4)


def test_without_a_stated_velocity_there_is_none():
    assert np.isnan(channel_velocity_rms_cm_s(track(), HZ, make_side())).all()


@pytest.mark.parametrize(
    ("recorded", "deviation_db"),
    [("constant_velocity", (0.0, 0.0, 0.0)), ("constant_amplitude", (-33.979, 0.0, 26.021)),
     ("iec98", (-19.274, 0.0, 19.620))],
)  # fmt: skip
def test_recorded_laws(recorded, deviation_db):
    """Constant amplitude rises 20 dB a decade; iec98 is the replay curve's inverse (IEC 60098)."""
    found = recorded_deviation_db(track(recorded=recorded), HZ, make_side())
    np.testing.assert_allclose(found, deviation_db, atol=1e-3)


def test_the_calibration_adds_to_the_law_of_its_own_track_in_any_order():
    side = make_side(calibration=[(1, 10_000.0, 2.0), (1, 100.0, -2.0), (2, 1000.0, 9.0)])
    hz = np.array([50.0, 100.0, 1000.0, 10_000.0, 20_000.0])
    found = recorded_deviation_db(track(recorded="constant_amplitude"), hz, side)
    law_db = 20.0 * np.log10(hz / 1000.0)
    np.testing.assert_allclose(found - law_db, [-2.0, -2.0, 0.0, 2.0, 2.0], atol=1e-12)


def test_a_channels_velocity_follows_the_law_and_the_calibration():
    """Ten times the velocity a decade up (constant amplitude), and 6.02 dB are twice as much."""
    side = make_side(calibration=[(1, 1000.0, 20.0 * np.log10(2.0))])
    one = track(recorded="constant_amplitude", modulation="left", velocity_cm_s=3.0)
    found = channel_velocity_rms_cm_s(one, np.array([1000.0, 10_000.0]), side)
    np.testing.assert_allclose(found, np.array([6.0, 60.0]) / np.sqrt(2.0))


def test_observations_without_a_phase_have_none_to_turn():
    columns = {"channel": np.array(["left", "right"], object), "level_db": np.array([1.0, 2.0])}
    named = by_channel(columns, replace(CHAIN, invert=("right",)))
    assert named.keys() == columns.keys()
    assert named["level_db"].tolist() == [1.0, 2.0]
