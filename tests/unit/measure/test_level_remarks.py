"""Levels that contradict what is described, each with its own remark."""

from dataclasses import replace

import numpy as np
import pytest

from made_descriptions import RATED, SIDE, STYLUS, captured, changed, only, remarked
from made_observations import CARTRIDGE, CHAIN


def test_peak_described_where_the_record_is_rms():
    """Velocities of the same sleeve read as peak: sqrt 2 or 3.01 dB too much comes out."""
    track, text = only(remarked(captured(changed(velocity_measure="rms"))))
    assert track is None
    assert text.startswith("the output is 3.0 dB above the rated 4.2 mV in both channels: check")
    assert "velocity_measure" in text


def test_rms_described_where_the_record_is_peak():
    _, text = only(remarked(captured(SIDE), changed(velocity_measure="rms")))
    assert "3.0 dB below" in text
    assert "velocities are really peak" in text


def test_lateral_velocity_described_as_the_channels():
    lateral = changed(5, 8, velocity_cm_s=5.0 * np.sqrt(2.0))
    _, text = only(remarked(captured(lateral)))
    assert text.startswith("output per velocity is 3.0 dB higher by the lateral or vertical tracks")
    assert "along the stylus's axis" in text


def test_channel_velocity_described_as_the_styluss():
    one_channel = changed(1, 2, velocity_cm_s=5.0 / np.sqrt(2.0))
    _, text = only(remarked(captured(one_channel)))
    assert "3.0 dB higher by the lateral or vertical tracks" in text


def test_tracks_of_another_reference_level():
    _, text = only(remarked(captured(changed(5, 8, velocity_cm_s=12.6))))
    assert "8.0 dB higher" in text
    assert text.endswith("check velocity_cm_s and velocity_measure of both")


@pytest.mark.parametrize("gain_db", [0.0, 20.0, 60.0, 80.0])
def test_a_wrong_gain_is_told_with_the_gain_that_it_would_have_to_be(gain_db):
    loud = gain_db > CHAIN.gain_db
    _, text = only(remarked(captured(SIDE, replace(CHAIN, gain_db=gain_db))))
    assert f"{abs(gain_db - 40.0):.1f} dB {'above' if loud else 'below'}" in text
    assert f"gain_db would have to be {gain_db:.1f} " in text


def test_a_wrong_full_scale_is_told_with_what_it_would_have_to_be():
    _, text = only(remarked(captured(SIDE, replace(CHAIN, full_scale_v_rms=0.1))))
    assert "26.0 dB above" in text
    assert "full_scale_v_rms 0.101 for that" in text


def test_a_sheet_without_output_leaves_what_cartridges_give():
    unrated = replace(CARTRIDGE, rated={})
    assert remarked(captured(SIDE), cartridge=unrated) == []
    _, text = only(remarked(captured(SIDE, replace(CHAIN, gain_db=80.0)), cartridge=unrated))
    assert "would be 420 mV, but cartridges of its kind give 0.8 to 15" in text
    quiet = replace(unrated, principle="moving_coil")
    assert remarked(captured(SIDE, replace(CHAIN, gain_db=20.0)), cartridge=quiet) == []


def test_a_low_load_may_lower_the_output_of_a_coil_of_some_resistance():
    """Voltage divider: 40 ohm into 100 ohm leaves 2.9 dB less than the open coil gives."""
    divided = 100.0 / 140.0 * RATED
    stylus = replace(STYLUS, sensitivity_mv_per_cm_s=(divided, divided), coil_inductance_mh=0.0)
    chain = replace(CHAIN, input_resistance_ohm=100.0)
    coil = replace(CARTRIDGE, coil_resistance_ohm=40.0)
    capture = captured(SIDE, chain, stylus)
    assert remarked(capture, chain=chain, cartridge=coil) == []
    for load_ohm, alarms in ((1e6, 0), (100.0, 1)):
        rated = replace(coil, rated={**CARTRIDGE.rated, "load_ohm": load_ohm})
        assert len(remarked(capture, chain=chain, cartridge=rated)) == alarms
