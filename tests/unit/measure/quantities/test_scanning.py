"""Inner against outer groove: a closed form, and simulated captures of worn tips.

The simulator averages the groove over a flat (a uniform strip); the measure fits a round contact.
A flat of length d is spread as a round contact of radius d / sqrt(3).
"""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.quantities import scanning
from grooveledger.observe.orders import observe_orders
from grooveledger.physics.groove import groove_speed_cm_s, scanning_loss_db, wavelength_um
from grooveledger.simulate import StylusTruth, simulate_capture
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.storage import tables
from made_observations import CHAIN, make_context, make_side
from made_sound import tracks_at, written

RATE = 48_000
RPM = 100.0 / 3.0
RADII_MM = (140.0, 64.0)
SWEEP = {
    "kind": "sweep",
    "modulation": "left",
    "start_hz": 500.0,
    "stop_hz": 20_000.0,
    "velocity_cm_s": 2.0,
    "duration_s": 15.0,
}
TONE = {
    "kind": "tone",
    "modulation": "lateral",
    "frequency_hz": 10_000.0,
    "velocity_cm_s": 3.0,
    "duration_s": 4.0,
}
ORDERS = {
    "order_max": 3,
    "points_per_octave": 24,
    "window_cycles": 8,
    "window_shortest_s": 0.03,
    "spectrum_top_hz": 20_000,
}


def rows_of(tmp_path, flat_um, track=SWEEP, radii_mm=RADII_MM, seed=1, tolerance_db=0.0):
    """Rows of a simulated capture of one track at two radii."""
    played = [{**track, "radius_mm": radius} for radius in radii_mm]
    side = make_side(*played, gap_s=2.0, response_tolerance_db=tolerance_db)
    chain = replace(CHAIN, gain_db=40.0)
    stylus = StylusTruth(flat_um=flat_um)
    samples, truth = simulate_capture(side, stylus, chain, REALISTIC, RATE, seed)
    path = written(tmp_path, samples, RATE, "PCM_24")
    tracks = tracks_at(*((one.start_s, one.stop_s) for one in truth.tracks))
    orders = tables.columns(observe_orders(path, tracks, side, ORDERS, "c1")[0])
    return tables.columns(scanning.measure(make_context(side, {"orders": orders}, {}, chain)))


def waves_um(hz, radius_mm):
    return wavelength_um(np.asarray(hz), groove_speed_cm_s(radius_mm, RPM))


@pytest.mark.parametrize("flat_um", [5.0, 6.5, 8.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_contact_of_a_worn_tip_within_fifteen_per_cent(tmp_path, flat_um, seed):
    rows = rows_of(tmp_path, flat_um, seed=seed)
    assert rows["loss_db"].max() > 1.0
    assert not rows["contact_limited"].any()
    assert rows["contact_radius_um"][0] == pytest.approx(flat_um / np.sqrt(3.0), rel=0.15)
    # What the groove's wave loses between the radii, from the middle of the lowest band on.
    hz = rows["frequency_hz"]
    lost = [20.0 * np.log10(np.sinc(flat_um / waves_um(hz, radius))) for radius in RADII_MM]
    truth_db = lost[0] - lost[1]
    below = waves_um(hz, RADII_MM[1]) > 2.0 * flat_um
    assert rows["loss_db"][below] == pytest.approx((truth_db - truth_db[0])[below], abs=0.2)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_tip_that_loses_nothing_has_a_bound(tmp_path, seed):
    rows = rows_of(tmp_path, 0.0, seed=seed)
    assert rows["contact_limited"].all()
    assert rows["contact_radius_um"][0] < 1.5
    assert np.isnan(rows["contact_noise_um"]).all()
    assert np.abs(rows["loss_db"]).max() < 0.15


def test_tones_are_held_together_as_they_are_described(tmp_path):
    rows = rows_of(tmp_path, 6.0, TONE)
    assert rows["channel"].tolist() == ["left", "right"]
    assert np.isnan(rows["level_from_hz"]).all()
    assert rows["contact_radius_um"] == pytest.approx([6.0 / np.sqrt(3.0)] * 2, rel=0.15)
    assert rows["thd_rise_pct"] == pytest.approx([0.0, 0.0], abs=0.5)


def test_two_cuts_that_may_differ_make_small_losses_a_bound(tmp_path):
    sure = rows_of(tmp_path, 3.0, TONE)
    unsure = rows_of(tmp_path, 3.0, TONE, tolerance_db=1.0)
    assert not sure["contact_limited"].any()
    assert unsure["contact_limited"].all()
    # 1 dB as half the width of a rectangle, in either cut.
    assert unsure["loss_record_db"] == pytest.approx(np.sqrt(2.0 / 3.0), abs=1e-6)
    assert (unsure["contact_radius_um"] > sure["contact_radius_um"]).all()


def test_radii_too_near_and_other_tones_give_nothing():
    def chosen(*tracks):
        side = make_side(*tracks, gap_s=2.0)
        return [(outer.track, inner.track) for outer, inner in scanning.pairs(side)]

    outer, inner = ({**TONE, "radius_mm": radius} for radius in RADII_MM)
    assert chosen(outer, inner) == [(1, 2)]
    assert chosen(inner, outer) == [(2, 1)]
    assert chosen(outer, {**inner, "radius_mm": 140.0 / 1.16}) == [(1, 2)]
    assert chosen(outer, {**inner, "radius_mm": 140.0 / 1.14}) == []
    assert chosen(outer, {**inner, "frequency_hz": 8000.0}) == []
    assert chosen(outer, {**inner, "modulation": "left"}) == []
    assert chosen(outer, {key: inner[key] for key in inner if key != "radius_mm"}) == []
    # The outermost of two partners.
    assert chosen(outer, {**TONE, "radius_mm": 100.0}, inner) == [(1, 2), (1, 3)]


@pytest.mark.parametrize("is_referred", [True, False])
@pytest.mark.parametrize("radius_um", [1.5, 3.0, 5.0])
def test_exact_losses_give_the_radius(is_referred, radius_um):
    hz = np.array([1000.0, 2000.0, 4000.0, 8000.0, 12_000.0])
    losses = [scanning_loss_db(radius_um, waves_um(hz, radius)) for radius in RADII_MM]
    loss = losses[0] - losses[1]
    loss = loss - loss[0] if is_referred else loss
    speeds = [float(groove_speed_cm_s(radius, RPM)) for radius in RADII_MM]
    noise = np.full(5, 0.03)
    found = scanning.contact_radius(hz, loss, noise, 0.0 * noise, *speeds, is_referred)
    assert not found.limited
    assert found.radius_um == pytest.approx(radius_um, abs=0.011)


def test_the_stated_noise_is_the_scatter_of_repeats():
    rng = np.random.default_rng(5)
    hz = np.array([1000.0, 4000.0, 8000.0, 12_000.0])
    losses = [scanning_loss_db(3.0, waves_um(hz, radius)) for radius in RADII_MM]
    loss = losses[0] - losses[1]
    speeds = [float(groove_speed_cm_s(radius, RPM)) for radius in RADII_MM]
    noise = np.full(4, 0.05)
    found = [
        scanning.contact_radius(
            hz, loss + noise * rng.standard_normal(4), noise, 0.0 * noise, *speeds, False
        )
        for _ in range(400)
    ]
    scatter = np.std([one.radius_um for one in found])
    assert found[0].noise_um == pytest.approx(scatter, rel=0.2)
