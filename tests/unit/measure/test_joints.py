"""Parts of one curve that do not meet, and tones that are not repeated alike."""

import numpy as np
import pytest

from grooveledger.measure.joints import joint_remarks
from made_figures import rows_of, sweep, tone
from made_observations import make_side

LOW_HZ, HIGH_HZ = np.geomspace(20.0, 1000.0, 137), np.geomspace(1000.0, 20_000.0, 105)[1:]
PARTS = (
    sweep("left", start_hz=20.0, stop_hz=1000.0),
    sweep("left", start_hz=1000.0, stop_hz=20_000.0, continues=1),
)


def remarked(step_db, low_hz=LOW_HZ, high_hz=HIGH_HZ, noise_db=0.01, **facts):
    """Remarks on a curve that falls by 3 dB an octave, with a step where its parts meet."""
    hz = np.concatenate([low_hz, high_hz])
    part = np.repeat([1.0, 2.0], [len(low_hz), len(high_hz)])
    rows = rows_of(
        "response", track=[1] * len(hz), channel=["left"] * len(hz), frequency_hz=hz,
        response_db=-3.0 * np.log2(hz / 1000.0) + step_db * (part == 2.0), reference_hz=1000.0,
        noise_db=noise_db, limited=[False] * len(hz), part=part,
    )  # fmt: skip
    return list(joint_remarks({"response": rows}, make_side(*PARTS, **facts)))


def test_parts_that_meet_raise_nothing():
    assert remarked(0.0) == []
    assert remarked(2.4, response_tolerance_db=1.0) == []
    assert remarked(1.0, noise_db=0.2) == []


@pytest.mark.parametrize("step_db", [-0.7, 0.7, 6.0])
def test_parts_that_do_not_meet_are_told(step_db):
    ((track, text),) = remarked(step_db)
    assert track is None
    assert f"tracks 1 and 2, parts of one curve, are {abs(step_db):.1f} dB apart" in text
    assert "velocity_cm_s" in text


def test_parts_that_overlap_or_leave_a_little_out_are_compared_too():
    for low_hz, high_hz in (
        (np.geomspace(20.0, 1500.0, 150), HIGH_HZ),
        (np.geomspace(20.0, 950.0, 150), np.geomspace(1060.0, 20_000.0, 105)),
    ):
        assert remarked(0.0, low_hz, high_hz) == []
        assert len(remarked(0.7, low_hz, high_hz)) == 1


def test_parts_far_apart_cannot_be_compared():
    assert remarked(6.0, np.geomspace(20.0, 500.0, 100), np.geomspace(2000.0, 20_000.0, 100)) == []


@pytest.mark.parametrize(("hz", "remarks"), [(1000.0, 1), (10_000.0, 0)])
def test_a_tone_repeated_at_another_level_is_told(hz, remarks):
    """In the treble the groove's radius makes a difference of its own."""
    side = make_side(tone("left", frequency_hz=hz), tone("left", frequency_hz=hz))
    level = rows_of(
        "level", track=[1, 2], channel=["left"] * 2, frequency_hz=[hz] * 2,
        sensitivity_mv_per_cm_s=[1.0, 1.12], noise_db=[0.01] * 2, limited=[False] * 2,
    )  # fmt: skip
    found = list(joint_remarks({"level": level}, side))
    assert len(found) == remarks
    if remarks:
        assert "tracks 1 and 2, both 1000 Hz, are 1.0 dB apart" in found[0][1]
