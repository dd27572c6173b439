"""Levels of steady tones in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.tone_levels import is_level_tone, tone_levels
from made_observations import CHAIN, joined, make_context, make_side, orders_of

FLAT = replace(CHAIN, equalisation="flat")
#: Full scale of 2 V rms through 40 dB is 20 mV.
FULL_SCALE_MV = 20.0


def tone(modulation="lateral", frequency_hz=1000.0, **facts):
    return {
        "kind": "tone",
        "modulation": modulation,
        "frequency_hz": frequency_hz,
        "duration_s": 9.0,
        **facts,
    }


def levels(side, *orders):
    return list(tone_levels(make_context(side, {"orders": joined(*orders)}, chain=FLAT)))


def test_output_and_sensitivity_of_a_tone_in_one_channel():
    """5 cm/s peak are 3.536 cm/s rms."""
    side = make_side(tone("left", velocity_cm_s=5.0))
    (found,) = levels(side, orders_of(1, 1000.0, {1: (0.2, 0.01)}))
    assert (found.channel, found.track) == ("left", side.tracks[0])
    assert found.output_mv == pytest.approx([0.2 * FULL_SCALE_MV])
    assert found.sensitivity_mv_per_cm_s == pytest.approx([4.0 / (5.0 / np.sqrt(2.0))])
    assert np.isnan(found.interchannel_phase_deg).all()
    assert not found.limited.any()


def test_a_lateral_tone_gives_each_channel_its_part_and_the_phase_between_them():
    side = make_side(tone(velocity_cm_s=7.0, velocity_measure="rms"))
    left, right = levels(side, orders_of(1, 1000.0, {1: (0.2 * np.exp(2.8j), 0.1 * np.exp(-2.8j))}))
    assert (left.channel, right.channel) == ("left", "right")
    assert right.sensitivity_mv_per_cm_s == pytest.approx([2.0 / (7.0 / np.sqrt(2.0))])
    between_deg = 360.0 - np.degrees(5.6)
    assert left.interchannel_phase_deg == pytest.approx([between_deg])
    assert right.interchannel_phase_deg == pytest.approx([between_deg])


def test_without_a_stated_velocity_there_is_no_sensitivity():
    (found,) = levels(make_side(tone("right")), orders_of(1, 1000.0, {1: (0.0, 0.1)}))
    assert found.output_mv == pytest.approx([0.1 * FULL_SCALE_MV])
    assert np.isnan(found.sensitivity_mv_per_cm_s).all()


def test_a_fast_platter_is_taken_out_and_a_tone_off_its_frequency_is_not():
    """Three tones 1 % fast; a fourth that was cut 5 % high is as loud as it was recorded."""
    hz = (400.0, 630.0, 1000.0, 800.0)
    side = make_side(*(tone("left", f, velocity_cm_s=5.0) for f in hz))
    played = [1.01 * f for f in hz[:3]] + [1.05 * 1.01 * hz[3]]
    found = levels(
        side,
        *(
            orders_of(i, f, {1: (0.101, 0.0)}, played_hz=p)
            for i, (f, p) in enumerate(zip(hz, played, strict=True), start=1)
        ),
    )
    assert [float(one.nominal_hz[0]) for one in found] == list(hz)
    for one, p in zip(found, played, strict=True):
        assert one.played_hz == pytest.approx([p])
        assert one.output_mv == pytest.approx([0.1 * FULL_SCALE_MV])


def test_noise_of_level_and_phase():
    """In phase it is 20 / ln 10 n / (s sqrt 2) dB, across n / (s sqrt 2) radians a channel."""
    floor = 0.001
    side = make_side(tone())
    left, right = levels(side, orders_of(1, 1000.0, {1: (0.3, 0.4)}, floor_fs=floor))
    signal = np.sqrt(np.array([0.3, 0.4]) ** 2 - floor**2)
    for one, s in zip((left, right), signal, strict=True):
        assert one.noise_db == pytest.approx([20.0 / np.log(10.0) * floor / s / np.sqrt(2.0)])
        across = np.degrees(np.hypot(floor / signal[0], floor / signal[1]) / np.sqrt(2.0))
        assert one.phase_noise_deg == pytest.approx([across])


def test_a_channel_under_the_noise_is_a_bound_and_has_no_phase():
    left, right = levels(make_side(tone()), orders_of(1, 1000.0, {1: (0.3, 0.01)}, floor_fs=0.01))
    assert (left.limited.tolist(), right.limited.tolist()) == ([False], [True])
    assert right.output_mv > 0.01 * FULL_SCALE_MV
    assert np.isnan(left.interchannel_phase_deg).all()
    assert np.isnan(right.interchannel_phase_deg).all()


def test_tones_that_serve_and_were_observed():
    side = make_side(
        tone(),
        tone(purpose="speed"),
        tone(purpose="level"),
        {"kind": "sweep", "modulation": "left", "start_hz": 20.0, "stop_hz": 2e4},
    )
    assert [is_level_tone(track) for track in side.tracks] == [True, False, True, False]
    found = levels(side, orders_of(3, 1000.0, {1: (0.1, 0.1)}))
    assert [one.track.track for one in found] == [3, 3]
