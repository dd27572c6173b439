"""Tracking ability from made-up amplitude steps."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from grooveledger.measure.quantities import tracking_ability
from grooveledger.measure.tracked_steps import mistracking
from grooveledger.storage import tables
from made_observations import CHAIN, make_context, make_side, orders_of

SETTINGS = {"thd_limit_pct": 10.0, "jump_ratio": 3.0}
AMPLITUDES_UM = [40.0, 50.0, 60.0, 70.0, 80.0]


def measured(thd_pct, amplitudes_um=AMPLITUDES_UM, floor_fs=1e-9):
    side = make_side(
        {
            "kind": "amplitude_steps",
            "modulation": "lateral",
            "frequency_hz": 315.0,
            "amplitudes_um": amplitudes_um,
            "step_s": 5.0,
        }
    )
    first = np.array(amplitudes_um) / 100.0
    third = first * np.array(thd_pct) / 100.0
    lines = {1: (first, first), 3: (third, 0.5 * third)}
    nominal_hz = np.full(len(first), 315.0)
    orders = orders_of(1, nominal_hz, lines, steps=True, floor_fs=floor_fs)
    chain = replace(CHAIN, equalisation="flat")
    context = make_context(side, {"orders": orders}, SETTINGS, chain=chain)
    found = tables.columns(tracking_ability.measure(context))
    left = found["channel"] == "left"
    return {name: values[left] for name, values in found.items()}, found


@pytest.mark.parametrize(
    ("thd_pct", "first_lost"),
    [
        ([1.0, 1.2, 1.5, 2.0, 2.5], 5),
        ([1.0, 1.2, 1.5, 2.0, 11.0], 4),  # past the limit
        ([0.1, 0.1, 0.4, 0.9, 0.95], 5),  # fourfold, but next to nothing: still tracked
        ([0.1, 0.1, 0.4, 1.3, 1.3], 3),
        ([1.0, 1.2, 4.0, 2.0, 2.5], 2),  # a jump; it stays lost
        ([12.0, 1.0, 1.0, 1.0, 1.0], 0),
        ([1.0, 3.0, 9.0, 9.9, 9.9], 5),  # threefold is not more than threefold
        ([1.0, np.nan, 3.5, 4.0, 5.0], 2),  # a step that says nothing is passed over
        ([np.nan] * 5, 5),
    ],
)
def test_the_rule(thd_pct, first_lost):
    lost = mistracking(np.array(thd_pct), **SETTINGS)
    np.testing.assert_array_equal(lost, np.arange(5) >= first_lost)


def test_each_channel_is_judged_by_itself():
    left, found = measured([1.0, 1.2, 1.5, 2.0, 15.0])
    np.testing.assert_allclose(left["thd_pct"], [1.0, 1.2, 1.5, 2.0, 15.0], rtol=1e-6)
    np.testing.assert_array_equal(left["mistracking"], [False] * 4 + [True])
    right = found["channel"] == "right"
    np.testing.assert_allclose(found["thd_pct"][right], [0.5, 0.6, 0.75, 1.0, 7.5], rtol=1e-6)
    np.testing.assert_array_equal(found["mistracking"][right], [False] * 4 + [True])  # by its jump


def test_steps_cut_from_the_largest_down_are_judged_from_the_smallest_up():
    left, _ = measured([15.0, 2.0, 1.5, 1.2, 1.0], AMPLITUDES_UM[::-1])
    np.testing.assert_array_equal(left["amplitude_um"], AMPLITUDES_UM)
    np.testing.assert_array_equal(left["mistracking"], [False] * 4 + [True])


def test_noise_alone_makes_no_jump():
    """Distortion that sinks into the noise is a bound there, so the next step is no jump."""
    left, _ = measured([0.001, 0.001, 0.5, 0.6, 0.7], floor_fs=0.001)
    assert not left["mistracking"].any()


def test_the_step_that_is_lost_next_and_the_records_level_are_the_uncertainty():
    # A rectangular distribution over the distance to it (JCGM 100, 4.3.7); 1 dB is 11.5 %.
    _, found = measured([1.0, 1.2, 1.5, 2.0, 15.0])
    gap_um = np.diff(np.sort(np.array(AMPLITUDES_UM)))[-1]
    side = SimpleNamespace(response_tolerance_db=1.0)
    measured_ = SimpleNamespace(tables={"tracking_ability": found}, side=side)
    read = list(tracking_ability.figures(measured_))
    left = next(figure for figure in read if figure.channel == "left")
    assert left.value == sorted(AMPLITUDES_UM)[-2]
    assert left.parts["interpolation"] == pytest.approx(gap_um / np.sqrt(3.0))
    assert left.parts["record"] == pytest.approx(0.1151 * left.value / np.sqrt(3.0), rel=1e-3)
    assert not left.limited
