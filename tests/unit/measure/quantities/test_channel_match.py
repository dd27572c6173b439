"""Balance and phase of the channels: closed forms, and a simulated lateral sweep."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.quantities import channel_match
from grooveledger.observe.orders import observe_orders
from grooveledger.simulate import StylusTruth, simulate_capture
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.simulate.stylus import terminals_matrix
from grooveledger.storage import tables
from made_observations import CHAIN, make_context, make_side, orders_of
from made_sound import tracks_at, written

STEPS = {"kind": "tone_steps", "frequencies_hz": [300.0, 1000.0, 5000.0], "step_s": 3.0}


def rows_of(left, right, modulation="lateral", chain=CHAIN, **facts):
    side = make_side({**STEPS, "modulation": modulation})
    lines = {1: (np.asarray(left, complex), np.asarray(right, complex))}
    orders = orders_of(1, STEPS["frequencies_hz"], lines, steps=True, **facts)
    return tables.columns(channel_match.measure(make_context(side, {"orders": orders}, {}, chain)))


@pytest.mark.parametrize(("modulation", "sense"), [("lateral", 1.0), ("vertical", -1.0)])
def test_level_and_phase_of_the_right_channel_relative_to_the_left(modulation, sense):
    turned = np.exp(1j * np.radians([1.0, -5.0, 40.0]))
    rows = rows_of([0.1] * 3, sense * 0.05 * turned, modulation)
    np.testing.assert_allclose(rows["balance_db"], -6.0206, atol=1e-4)
    np.testing.assert_allclose(rows["phase_deg"], [1.0, -5.0, 40.0], atol=1e-9)
    assert set(rows["polarity"]) == {"as described"}


def test_a_reversed_channel_is_named_and_one_put_right_by_the_chain_is_not():
    rows = rows_of([0.1] * 3, [-0.1] * 3)
    assert set(rows["polarity"]) == {"reversed"}
    rows = rows_of([0.1] * 3, [-0.1] * 3, chain=replace(CHAIN, invert=("right",)))
    assert set(rows["polarity"]) == {"as described"}
    np.testing.assert_allclose(rows["phase_deg"], 0.0, atol=1e-9)


def test_channels_a_quarter_apart_have_no_polarity():
    assert set(rows_of([0.1] * 3, [0.1j] * 3)["polarity"]) == {None}


def test_what_noise_hides_has_no_figure():
    rows = rows_of([0.1] * 3, [1e-4, 0.1, 0.1], floor_fs=1e-3)
    assert rows["limited"].tolist() == [True, False, False]
    assert np.isnan(rows["balance_db"][0])
    assert np.isnan(rows["phase_deg"][0])


def test_noise_is_as_stated():
    """Monte Carlo: noise 40 dB below either channel."""
    rng = np.random.default_rng(1)
    found = []
    for _ in range(300):
        z = 0.1 + 1e-3 * rng.normal(size=(2, 3, 2)) @ [1.0, 1.0j] / np.sqrt(2.0)
        rows = rows_of(z[0], z[1], floor_fs=1e-3)
        found.append((rows["balance_db"][0], rows["phase_deg"][0]))
    spread = np.std(found, axis=0)
    assert spread[0] == pytest.approx(rows["noise_db"][0], rel=0.15)
    assert spread[1] == pytest.approx(rows["phase_noise_deg"][0], rel=0.15)


def test_a_lateral_sweep_of_a_simulated_capture(tmp_path):
    # The truth is the transfer of the simulated cartridge for equal walls.
    sweep = {
        "kind": "sweep",
        "modulation": "lateral",
        "start_hz": 100.0,
        "stop_hz": 15_000.0,
        "velocity_cm_s": 4.0,
        "duration_s": 20.0,
    }
    side = make_side(sweep, gap_s=2.0)
    chain = replace(CHAIN, gain_db=34.0)
    stylus = replace(StylusTruth(), sensitivity_mv_per_cm_s=(1.0, 1.12))
    samples, truth = simulate_capture(side, stylus, chain, REALISTIC, 48_000, 3)
    path = written(tmp_path, samples, 48_000, "PCM_24")
    tracks = tracks_at(*((one.start_s, one.stop_s) for one in truth.tracks))
    settings = {
        "order_max": 2,
        "points_per_octave": 24,
        "window_cycles": 8,
        "window_shortest_s": 0.03,
        "spectrum_top_hz": 20_000,
    }
    orders = tables.columns(observe_orders(path, tracks, side, settings, "c1")[0])
    rows = tables.columns(channel_match.measure(make_context(side, {"orders": orders}, {}, chain)))
    inside = (rows["frequency_hz"] > 300.0) & (rows["frequency_hz"] < 14_000.0)
    matrix = terminals_matrix(rows["frequency_hz"][inside], stylus, chain).sum(axis=1)
    expected = matrix[1] / matrix[0]
    off_db = rows["balance_db"][inside] - 20 * np.log10(np.abs(expected))
    off_deg = rows["phase_deg"][inside] - np.degrees(np.angle(expected))
    assert np.mean(np.abs(off_db) < 2.0 * rows["noise_db"][inside] + 0.02) > 0.9
    assert np.mean(np.abs(off_deg) < 2.0 * rows["phase_noise_deg"][inside] + 0.2) > 0.9
    assert set(rows["polarity"]) == {"as described"}


@pytest.mark.parametrize(
    ("hz", "phase_deg", "said"),
    [
        # Above 5 kHz the channels' own phases part: they say nothing.
        ([300.0, 1000.0, 8e3, 9e3, 10e3], [2.0, 3.0, 178.0, 178.0, 178.0], "as described"),
        ([300.0, 4999.0, 5001.0], [179.0, -178.0, 0.0], "reversed"),
        ([300.0, 1000.0, 2000.0, 3000.0, 4000.0], [2.0, 3.0, *[np.nan] * 3], "as described"),
        ([300.0, 1000.0, 3000.0], [59.0, -59.0, 90.0], "as described"),
        ([300.0, 1000.0, 3000.0], [61.0, -61.0, 90.0], None),
        ([300.0, 1000.0, 3000.0], [121.0, -121.0, 90.0], "reversed"),
        ([300.0, 1000.0, 3000.0], [119.0, -119.0, 90.0], None),
        ([300.0, 1000.0], [10.0, 90.0], None),
        ([8000.0], [0.0], None),
    ],
)
def test_a_polarity_is_that_of_more_than_half_of_the_readings_up_to_5_khz(hz, phase_deg, said):
    assert channel_match.polarity(np.array(hz), np.array(phase_deg)) == said
