"""Responses that tilt as by a wrong law, each with its own remark."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from grooveledger.measure.tilt_remarks import Explanation, equalisation_remarks, explanations
from grooveledger.physics.equalisation import (
    recorded_velocity_db,
    replay_response,
    time_constant_response,
)
from made_descriptions import SIDE, captured, changed, only, remarked, sweeps
from made_figures import rows_of
from made_observations import CHAIN

FLAT = replace(CHAIN, equalisation="flat")


def test_a_flat_preamplifier_described_as_replaying_with_the_curve():
    side = sweeps(recorded="iec98")
    track, text = only(remarked(captured(side, FLAT), side))
    assert track is None
    # The curve from 50 Hz to 10 kHz: 16.9 + 13.7 dB (IEC 60098).
    assert text.startswith("the response of tracks 3, 4, 7 rises by 31 dB from 50 to 10000 Hz")
    assert text.endswith("set equalisation: flat in the chain if its preamplifier is so")


def test_the_curve_where_flat_is_described():
    _, text = only(remarked(captured(SIDE), chain=FLAT))
    assert "falls by" in text
    assert "set equalisation: iec98 in the chain" in text


def test_a_record_of_one_law_leaves_both_open():
    """Sweeps alone can't separate a flat preamplifier from a record cut with the curve."""
    side = replace(SIDE, tracks=SIDE.tracks[:4])
    _, text = only(remarked(captured(side, FLAT), side))
    assert "set equalisation: flat in the chain" in text
    assert "set recorded: iec98" in text


@pytest.mark.parametrize(
    ("described", "really"),
    [
        (a, b)
        for a in ("constant_velocity", "constant_amplitude", "iec98")
        for b in ("constant_velocity", "constant_amplitude", "iec98")
        if a != b
    ],
)
@pytest.mark.parametrize("ends", [(20.0, 20_000.0), (300.0, 12_000.0)])
def test_a_wrong_recorded_law_is_told_with_the_right_one(described, really, ends):
    facts = {"start_hz": ends[0], "stop_hz": ends[1]}
    capture = captured(sweeps(recorded=really, **facts))
    _, text = only(remarked(capture, sweeps(recorded=described, **facts)))
    assert text.startswith("the response of tracks 3, 4 ")
    assert text.endswith(f"set recorded: {really} if it was cut so")


def test_the_treble_section_missing_on_the_record():
    hz = np.geomspace(20.0, 20_000.0, 60)
    treble = np.abs(time_constant_response(hz, (), (75e-6,)))
    treble_db = 20.0 * np.log10(treble) - 20.0 * np.log10(
        np.abs(time_constant_response(1000.0, (), (75e-6,)))
    )
    side = sweeps(recorded="iec98")
    cut = replace(
        side,
        calibration=tuple(
            (track, float(f), float(db))
            for track in (3, 4)
            for f, db in zip(hz, treble_db, strict=True)
        ),
    )
    _, text = only(remarked(captured(cut), side))
    assert text.endswith("give the record's calibration if it was cut without the 75 us section")
    assert remarked(captured(cut), cut) == []


def test_one_track_of_another_law_is_named():
    side = changed(4, recorded="constant_amplitude")
    track, text = only(remarked(captured(side)))
    assert track == 4
    assert text.startswith("the response of track 4 ")


def test_a_wrong_curve_is_not_taken_for_a_wrong_level_at_315_hz():
    """Tones away from 1 kHz are shifted too: 5 dB at 315 Hz."""
    side = changed(1, 2, frequency_hz=315.0)
    _, text = only(remarked(captured(side, FLAT), side))
    assert "equalisation" in text


def test_laws_here_are_those_of_the_standard():
    """IEC 60098: 19.3 dB at 20 Hz and -19.6 dB at 20 kHz re 1 kHz."""
    ends_db = recorded_velocity_db([20.0, 20_000.0], "iec98")
    np.testing.assert_allclose(ends_db, [-19.27, 19.62], atol=0.01)


# Thresholds -------------------------------------------------------------------------------------

EVEN_HZ = np.geomspace(50.0, 10_000.0, 47)
WRONG_DB = 20.0 * np.log10(np.abs(replay_response(EVEN_HZ, "iec98")))
TRACK = SIDE.tracks[2]


def rms(values):
    return np.sqrt(np.mean((values - values.mean()) ** 2))


def replayed_db(half_octaves):
    """The replay curve about 1 kHz, so many octaves to either side."""
    hz = 1000.0 * 2.0 ** np.linspace(-half_octaves, half_octaves, 60)
    return hz, 20.0 * np.log10(np.abs(replay_response(hz, "iec98")))


@pytest.mark.parametrize(("tilt_db", "is_told"), [(2.49, False), (2.51, True)])
def test_a_response_is_tilted_from_two_and_a_half_decibels_rms(tilt_db, is_told):
    """A band just wide enough for the replay curve to tilt by that much in it."""
    half = brentq(lambda octaves: rms(replayed_db(octaves)[1]) - tilt_db, 0.5, 4.0)
    found = explanations(*replayed_db(half), TRACK, FLAT)
    assert (Explanation("equalisation", "iec98") in found) == is_told


@pytest.mark.parametrize(("left_part", "is_told"), [(0.39, True), (0.41, False)])
def test_an_explanation_leaves_two_fifths_of_the_deviation_at_most(left_part, is_told):
    """A ripple across every law: of the whole deviation it is a part, the law is the rest."""
    ripple = np.cos(np.linspace(0.0, 46.0 * np.pi, 47))
    wrong = WRONG_DB - WRONG_DB.mean()
    size = left_part / np.sqrt(1.0 - left_part**2) * rms(wrong) / rms(ripple)
    assert bool(explanations(EVEN_HZ, wrong + size * ripple, TRACK, FLAT)) == is_told


@pytest.mark.parametrize(("octaves", "is_read"), [(2.49, False), (2.51, True)])
def test_a_curve_must_cover_two_and_a_half_octaves(octaves, is_read):
    hz = np.geomspace(100.0, 100.0 * 2.0**octaves, 60)
    tilt_db = 20.0 * np.log10(np.abs(replay_response(hz, "iec98")))
    rows = rows_of(
        "response", track=[3] * 60, channel=["left"] * 60, frequency_hz=hz,
        response_db=tilt_db, limited=[False] * 60,
    )  # fmt: skip
    assert bool(equalisation_remarks(rows, SIDE, FLAT)) == is_read


def test_a_curve_of_which_nothing_is_clear_or_all_below_the_band_is_not_read():
    hz, tilt_db = replayed_db(4.0)
    facts = {"track": [3] * 60, "channel": ["left"] * 60, "response_db": tilt_db}
    for frequency_hz, limited in ((hz, True), (hz / 400.0, False)):
        rows = rows_of("response", **facts, frequency_hz=frequency_hz, limited=[limited] * 60)
        assert equalisation_remarks(rows, SIDE, FLAT) == []
    rows = rows_of("response", **facts, frequency_hz=hz, limited=[False] * 60)
    assert equalisation_remarks(rows, SIDE, FLAT)
