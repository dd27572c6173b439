"""Bias from made-up steps and from a simulated capture."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from grooveledger.measure.quantities import bias
from grooveledger.observe.orders import observe_orders
from grooveledger.simulate import StylusTruth, simulate_capture
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.storage import tables
from made_observations import CARTRIDGE, CHAIN, make_context, make_side, orders_of
from made_sound import tracks_at, written

SETTINGS = {"thd_limit_pct": 10.0, "jump_ratio": 3.0}
STEPS_UM = [40.0, 50.0, 60.0, 70.0, 80.0]
TRACK = {
    "kind": "amplitude_steps",
    "modulation": "lateral",
    "frequency_hz": 315.0,
    "amplitudes_um": STEPS_UM,
    "step_s": 3.0,
}
FLAT = replace(CHAIN, equalisation="flat")


def measured(left_pct, right_pct, track=TRACK):
    first = np.array(STEPS_UM) / 100.0
    lines = {1: (first, first), 3: (first * left_pct / 100.0, first * right_pct / 100.0)}
    orders = orders_of(1, np.full(5, 315.0), lines, steps=True)
    side = make_side(track)
    cartridge = replace(CARTRIDGE, tracking_force_mn=18.0)
    context = make_context(side, {"orders": orders}, SETTINGS, FLAT, cartridge)
    return tables.columns(bias.measure(context))


CLEAN = np.array([1.0, 1.1, 1.2, 1.3, 1.4])


def lost_from(place):
    return np.where(np.arange(5) >= place, 15.0, CLEAN)


@pytest.mark.parametrize(
    ("left", "right", "first", "change"),
    [
        (lost_from(4), lost_from(2), "right", "more"),
        (lost_from(2), lost_from(4), "left", "less"),
        (lost_from(9), lost_from(3), "right", "more"),
        (lost_from(3), lost_from(3), "together", None),
        (CLEAN, CLEAN, "neither", None),
        # 10.2 % and 9.8 %: one is lost by the rule, but no wall is clearly worse
        (np.array([5.0, 6.0, 7.0, 8.0, 10.2]), np.array([5.0, 6.0, 7.0, 8.0, 9.8]), None, None),
    ],
)
def test_what_the_first_lost_step_says(left, right, first, change):
    rows = measured(left, right)
    assert rows["first_lost"][0] == first
    assert rows["change"][0] == change
    assert rows["tracking_force_mn"][0] == 18.0


def test_steps_of_one_wall_say_nothing_of_the_bias():
    assert not len(measured(CLEAN, CLEAN, {**TRACK, "modulation": "left"})["track"])


def test_the_steps_are_the_uncertainty_and_an_open_end_a_bound():
    rows = measured(lost_from(4), lost_from(2))
    side = SimpleNamespace(response_tolerance_db=1.0)
    (figure,) = bias.figures(SimpleNamespace(tables={"bias": rows}, side=side))
    assert figure.value == pytest.approx(70.0 - 50.0)
    # Rectangular over ten micrometres in either channel (JCGM 100, 4.3.7).
    # Two uniform distributions of 10 um: 10^2 / 12 each.
    assert figure.parts["interpolation"] == pytest.approx(10.0 / np.sqrt(6.0))
    assert not figure.limited
    rows = measured(lost_from(9), lost_from(2))
    (figure,) = bias.figures(SimpleNamespace(tables={"bias": rows}, side=side))
    assert figure.limited
    assert figure.value == pytest.approx(80.0 - 50.0)


@pytest.mark.parametrize(
    ("tracked_um", "first", "change"),
    [
        ((75.0, 55.0), "right", "more"),
        ((55.0, 75.0), "left", "less"),
        ((65.0, 65.0), "together", None),
    ],
)
def test_a_simulated_capture(tmp_path, tracked_um, first, change):
    side = make_side(TRACK, gap_s=2.0)
    chain = replace(CHAIN, gain_db=30.0)
    stylus = replace(StylusTruth(), tracked_amplitude_um=tracked_um)
    samples, truth = simulate_capture(side, stylus, chain, REALISTIC, 48_000, 2)
    path = written(tmp_path, samples, 48_000, "PCM_24")
    tracks = tracks_at(*((one.start_s, one.stop_s) for one in truth.tracks))
    settings = {
        "order_max": 5,
        "points_per_octave": 24,
        "window_cycles": 8,
        "window_shortest_s": 0.03,
        "spectrum_top_hz": 20_000,
    }
    orders = tables.columns(observe_orders(path, tracks, side, settings, "c1")[0])
    rows = tables.columns(bias.measure(make_context(side, {"orders": orders}, SETTINGS, chain)))
    assert rows["first_lost"][0] == first
    assert rows["change"][0] == change
