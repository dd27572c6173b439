"""Picking a track's fundamental, what noise leaves of it, and the capture's speed."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.fundamentals import fundamental, rumbling, speed_ratio, wrapped_deg
from grooveledger.physics.noise_floor import NOISE_95
from made_observations import CHAIN, changed, joined, make_context, make_side, orders_of

TONE = {"kind": "tone", "modulation": "left", "frequency_hz": 1000.0, "duration_s": 5.0}
SWEEP = {"kind": "sweep", "modulation": "left", "start_hz": 100.0, "stop_hz": 1e3, "duration_s": 5}
SIDE = make_side(TONE, SWEEP)


def read(orders, number=1, chain=CHAIN):
    context = make_context(SIDE, {"orders": orders}, chain=chain)
    return fundamental(context, SIDE.track(number))


def test_only_order_1_of_the_track_itself_counts_in_order_of_time():
    hz = [100.0, 300.0, 900.0]
    orders = joined(
        orders_of(1, 1000.0, {1: (0.5, 0.05), 2: (0.3, 0.3)}),
        orders_of(
            2, hz, {1: ([0.1, 0.2, 0.3], 0.01j), 2: (0.9, 0.9)}, played_hz=1.01 * np.array(hz)
        ),
    )
    order = np.random.default_rng(3).permutation(len(orders["track"]))
    found = read({name: values[order] for name, values in orders.items()}, 2)
    np.testing.assert_array_equal(found.nominal_hz, hz)
    np.testing.assert_allclose(found.played_hz, 1.01 * np.array(hz))
    np.testing.assert_allclose(found.amplitude["left"], [0.1, 0.2, 0.3])
    np.testing.assert_allclose(found.amplitude["right"], 0.01)
    np.testing.assert_allclose(found.phase_deg["right"], 90.0)


def test_noise_power_is_taken_off_a_clear_reading():
    found = read(orders_of(1, 1000.0, {1: (0.5, 0.0)}, floor_fs=0.2))
    assert found.amplitude["left"][0] == pytest.approx(np.sqrt(0.21))
    assert found.noise_to_signal("left")[0] == pytest.approx(0.2 / np.sqrt(0.21))


def test_a_limited_reading_is_an_upper_bound():
    """A reading less noise of unknown phase: with 95 % at most reading + sqrt(ln 20) floor."""
    found = read(orders_of(1, 1000.0, {1: (0.5, 0.3)}, floor_fs=0.2))
    assert list(found.limited["right"]) == [True]
    assert found.amplitude["right"][0] == pytest.approx(0.3 + NOISE_95 * 0.2)
    assert found.noise_to_signal("right")[0] == 1.0


def test_where_there_is_nothing_there_is_no_bound():
    found = read(orders_of(1, 1000.0, {1: (0.5, 0.0)}, floor_fs=0.0))
    assert found.limited["right"][0]
    assert np.isnan(found.amplitude["right"][0])


def test_a_track_that_was_not_observed_or_in_one_channel_only_gives_none():
    orders = orders_of(1, 1000.0, {1: (0.5, 0.3)})
    assert read(orders, 2) is None
    left = orders["channel"] == "left"
    assert read({name: values[left] for name, values in orders.items()}) is None


def test_channels_are_the_cartridges():
    chain = replace(CHAIN, swap_channels=True, invert=("right",))
    found = read(orders_of(1, 1000.0, {1: (0.5, 0.3)}), chain=chain)
    assert found.amplitude["right"][0] == pytest.approx(0.5)
    assert found.phase_deg["right"][0] == pytest.approx(180.0)


def test_speed_is_told_by_the_tones_fundamentals_alone():
    orders = joined(
        orders_of(1, 1000.0, {1: (0.5, 0.3), 2: (0.1, 0.1)}, played_hz=1004.0),
        orders_of(2, [100.0, 300.0], {1: (0.5, 0.3)}, played_hz=[200.0, 600.0]),
    )
    assert speed_ratio(make_context(SIDE, {"orders": orders})) == pytest.approx(1.004)
    sweep = changed(orders, lambda c: c["track"].__setitem__(slice(None), 2.0))
    assert speed_ratio(make_context(SIDE, {"orders": sweep})) == 1.0


def test_phases_are_wrapped():
    given = [0.0, 180.0, -180.0, 181.0, -540.0, 359.0]
    np.testing.assert_allclose(wrapped_deg(np.array(given)), [0, 180, 180, -179, 180, -1])


def test_the_floor_of_a_sweep_below_100_hz_is_at_least_that_above():
    """By chance a few readings show far too little rumble, which only grows towards lower notes."""
    hz = np.geomspace(20.0, 1000.0, 60)
    floor = 1e-4 * np.ones(60)
    floor[:5] = 1e-5
    raised = rumbling(hz, floor)
    low = hz < 100.0
    assert (raised[low] >= 1e-4).all()
    assert raised[low] == pytest.approx(1.247 * 1e-4, rel=1e-3)
    assert (raised[~low] == floor[~low]).all()
    assert (rumbling(hz[::-1], floor[::-1]) == raised[::-1]).all()


def test_speed_needs_no_harmonics():
    orders = orders_of(1, 1000.0, {1: (0.5, 0.3)}, played_hz=1004.0)
    assert speed_ratio(make_context(SIDE, {"orders": orders})) == pytest.approx(1.004)


@pytest.mark.parametrize(
    ("cut_for_it", "expected"), [(1.019, 1.019), (0.981, 0.981), (1.021, 1.0), (0.979, 1.0)]
)
def test_a_tone_cut_for_speed_counts_unless_it_is_further_off_than_others_may_be(
    cut_for_it, expected
):
    side = make_side(TONE, TONE, {**TONE, "frequency_hz": 3150.0, "purpose": "speed"})
    level = {1: (0.5, 0.3)}
    orders = joined(
        orders_of(1, 1000.0, level, played_hz=1000.0),
        orders_of(2, 1000.0, level, played_hz=1000.0),
        orders_of(3, 3150.0, level, played_hz=3150.0 * cut_for_it),
    )
    assert speed_ratio(make_context(side, {"orders": orders})) == pytest.approx(expected)
