"""Which tracks make one curve together."""

from grooveledger.plan.curves import response_curves
from made_figures import sweep, tone
from made_observations import make_side

SPOTS = [tone("left", frequency_hz=hz) for hz in (1000.0, 5000.0, 10_000.0)]


def numbers(*tracks):
    return [[t.track for t in curve.tracks] for curve in response_curves(make_side(*tracks))]


def test_tones_of_one_modulation_are_one_curve():
    lateral = [tone("lateral", frequency_hz=hz) for hz in (1000.0, 100.0)]
    assert numbers(*SPOTS, *lateral) == [[1, 2, 3], [4, 5]]
    side = make_side(*lateral)
    assert response_curves(side)[0].channels == ("left", "right")


def test_one_frequency_is_no_response():
    assert numbers(tone("left"), tone("left"), tone("right")) == []


def test_tones_kept_for_something_else_are_no_points():
    speed = tone("left", frequency_hz=3150.0, purpose="speed")
    assert numbers(tone("left"), speed) == []


def test_beside_a_sweep_only_tones_kept_for_the_response_are_points():
    assert numbers(*SPOTS, sweep("left")) == [[4]]
    assert numbers(*SPOTS, sweep("right")) == [[1, 2, 3], [4]]
    kept = [{**one, "purpose": "response"} for one in SPOTS[1:]]
    assert numbers(SPOTS[0], *kept, sweep("left")) == [[2, 3], [4]]


def test_parts_of_a_sweep_are_one_curve_however_many():
    parts = [
        sweep("left", start_hz=20.0, stop_hz=300.0),
        sweep("right"),
        sweep("left", start_hz=300.0, stop_hz=4000.0, continues=1),
        sweep("left", start_hz=4000.0, stop_hz=20_000.0, continues=3),
    ]
    assert numbers(*parts) == [[1, 3, 4], [2]]
