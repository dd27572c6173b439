"""Steps of rising amplitude, over one track or several, and just inside and outside the limits."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.tracked_steps import is_stepped, mistracking, stepped_channels
from made_observations import CHAIN, joined, make_context, make_side, orders_of

FLAT = replace(CHAIN, equalisation="flat")
SETTINGS = {"thd_limit_pct": 10.0, "jump_ratio": 3.0}


def bands(amplitudes_um, modulation="lateral", **facts):
    return {
        "kind": "amplitude_steps",
        "modulation": modulation,
        "frequency_hz": 315.0,
        "amplitudes_um": amplitudes_um,
        "step_s": 5.0,
        **facts,
    }


def heard(number, left_pct, right_pct):
    first = np.full(len(left_pct), 0.3)
    second = [first * np.array(pct) / 100.0 for pct in (left_pct, right_pct)]
    return orders_of(number, np.full(len(first), 315.0), {1: (first, first), 2: second}, steps=True)


def read(side, *orders, **settings):
    context = make_context(side, {"orders": joined(*orders)}, {**SETTINGS, **settings}, chain=FLAT)
    return list(stepped_channels(context))


def test_bands_of_one_test_make_one_curve_and_the_first_of_a_repeated_amplitude_counts():
    side = make_side(bands([20.0, 40.0]), bands([40.0, 60.0], continues=1), bands([90.0]))
    found = read(
        side,
        heard(1, [1.0, 2.0], [1.0, 1.0]),
        heard(2, [9.0, 12.0], [1.0, 1.0]),
        heard(3, [5.0], [5.0]),
    )
    assert [track.track for track, _ in found] == [1, 3]
    left, right = (found[0][1][name] for name in ("left", "right"))
    assert left.amplitude_um.tolist() == [20.0, 40.0, 60.0]
    np.testing.assert_allclose(left.thd_pct, [1.0, 2.0, 12.0])
    assert left.is_lost.tolist() == [False, False, True]
    assert not right.is_lost.any()


def test_a_track_in_one_channel_gives_that_channel():
    side = make_side(bands([20.0, 40.0], "right"))
    ((_, channels),) = read(side, heard(1, [50.0, 50.0], [1.0, 11.0]))
    assert list(channels) == ["right"]
    assert channels["right"].is_lost.tolist() == [False, True]


def test_limit_and_jump_are_the_settings():
    side = make_side(bands([20.0, 40.0]))
    orders = heard(1, [2.0, 5.0], [2.0, 5.0])
    for settings, lost in (
        ({}, False),
        ({"thd_limit_pct": 4.9}, True),
        ({"jump_ratio": 2.4}, True),
    ):
        ((_, channels),) = read(side, orders, **settings)
        assert channels["left"].is_lost.tolist() == [False, lost]


@pytest.mark.parametrize(
    ("thd_pct", "lost"),
    [
        ([1.0, 10.0], True),
        ([4.0, 10.0], False),
        ([4.0, 10.01], True),
        ([2.0, 6.0], False),
        ([2.0, 6.01], True),
        ([0.1, 1.0], False),
        ([0.1, 1.01], True),
        ([10.01, 1.0], True),
        ([np.nan, 9.0], False),
        ([np.nan, 11.0], True),
    ],
)
def test_a_step_is_lost_beyond_the_limit_or_by_a_jump_beyond_one_per_cent(thd_pct, lost):
    found = mistracking(np.array(thd_pct), **SETTINGS)
    assert found[-1] == lost
    assert found[0] == (thd_pct[0] > 10.0)


def test_tracks_that_tell():
    side = make_side(
        bands([20.0]),
        bands([20.0], purpose="distortion"),
        {"kind": "tone", "modulation": "left", "frequency_hz": 315.0},
    )
    assert [is_stepped(track) for track in side.tracks] == [True, False, False]
