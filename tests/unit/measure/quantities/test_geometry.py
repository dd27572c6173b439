"""Geometry's share of harmonics: the groove traced sample by sample, and what is put on top."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.quantities import geometry
from grooveledger.observe.orders import observe_orders
from grooveledger.simulate import StylusTruth, simulate_capture
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.storage import tables
from made_observations import CARTRIDGE, CHAIN, make_context, make_side
from made_sound import tracks_at, written

TONE = {
    "kind": "tone",
    "modulation": "left",
    "frequency_hz": 1000.0,
    "velocity_cm_s": 5.0,
    "duration_s": 8.0,
    "radius_mm": 75.0,
}
ORDERS = {
    "order_max": 3,
    "points_per_octave": 24,
    "window_cycles": 8,
    "window_shortest_s": 0.03,
    "spectrum_top_hz": 20_000,
}
NOTHING = tuple((hz, 1e-7, 1e-7, 1e-7, 1e-7) for hz in (20.0, 20_000.0))
#: Crosstalk takes from a lateral track's second harmonic, whose channels are opposite: 45 dB here.
FAR = tuple((hz, -45.0, 0.0) for hz in (20.0, 20_000.0))
#: A generator and a coil that leave harmonics as they are, so that tracing is seen alone.
FLAT = replace(
    StylusTruth(),
    harmonics=NOTHING,
    coil_inductance_mh=0.0,
    tip_resonance_hz=1e6,
    tip_q=0.7,
    crosstalk_left_to_right=FAR,
    crosstalk_right_to_left=FAR,
)
ARM = replace(CHAIN, gain_db=34.0, arm_length_mm=250.0, arm_overhang_mm=16.5, arm_offset_deg=21.95)


def measured(tmp_path, stylus, track=TONE, tip_um=(15.0,), chain=ARM):
    side = make_side(track, gap_s=2.0)
    samples, truth = simulate_capture(side, stylus, chain, REALISTIC, 48_000, 5)
    path = written(tmp_path, samples, 48_000, "PCM_24")
    tracks = tracks_at(*((one.start_s, one.stop_s) for one in truth.tracks))
    orders = tables.columns(observe_orders(path, tracks, side, ORDERS, "c1")[0])
    cartridge = replace(CARTRIDGE, tip_radii_um=tip_um)
    rows = geometry.measure(make_context(side, {"orders": orders}, {}, chain, cartridge))
    return tables.columns(rows)


@pytest.mark.parametrize("modulation", ["left", "lateral", "vertical"])
@pytest.mark.parametrize(("radius_mm", "tip_um"), [(75.0, 15.0), (140.0, 18.0), (65.0, 8.0)])
def test_a_traced_groove_is_explained_by_geometry(tmp_path, modulation, radius_mm, tip_um):
    # Independent: the simulator solves the point of contact sample by sample, which a test of its
    # own holds against balls set on every point of the profile.
    track = {**TONE, "modulation": modulation, "radius_mm": radius_mm}
    rows = measured(tmp_path, replace(FLAT, tip_radius_um=tip_um), track, (tip_um, 2 * tip_um))
    for i in range(len(rows["channel"])):
        assert not rows["limited"][i]
        assert rows["measured_h2_pct"][i] == pytest.approx(rows["tracing_h2_pct"][i], rel=0.05)


def test_a_tracking_error_is_explained_by_the_arm(tmp_path):
    # Baerwald 1941: (v / V) tan(error), of a lateral track; here 6 degrees at 75 mm.
    chain = replace(ARM, arm_offset_deg=16.0)
    error_deg = geometry.arm_error_deg(chain, 75.0)
    stylus = replace(FLAT, tracking_error_deg=error_deg)
    track = {**TONE, "modulation": "lateral", "velocity_cm_s": 8.0}
    rows = measured(tmp_path, stylus, track, (), chain)
    expected = 100.0 * 8.0 / rows["groove_speed_cm_s"][0] * np.tan(np.radians(error_deg))
    assert rows["tracking_h2_pct"][0] == pytest.approx(expected, rel=0.01)
    assert rows["measured_h2_pct"][0] == pytest.approx(expected, rel=0.05)
    assert np.isnan(rows["tracing_h2_pct"][0])
    assert rows["geometry_h2_pct"][0] == rows["tracking_h2_pct"][0]


def test_tracing_and_tracking_together_are_the_root_of_the_sum_of_squares(tmp_path):
    chain = replace(ARM, arm_offset_deg=14.0)
    error_deg = geometry.arm_error_deg(chain, 75.0)
    stylus = replace(FLAT, tracking_error_deg=error_deg, tip_radius_um=12.0)
    track = {**TONE, "modulation": "lateral", "velocity_cm_s": 8.0}
    rows = measured(tmp_path, stylus, track, (12.0,), chain)
    np.testing.assert_allclose(rows["measured_h2_pct"], rows["geometry_h2_pct"], rtol=0.05)
    np.testing.assert_array_less(rows["tracing_h2_pct"], rows["geometry_h2_pct"])


def test_what_the_cartridge_adds_lies_between_what_is_left_at_least_and_at_most(tmp_path):
    # 2 % at 5 cm/s from the generator, whose phase is its own.
    own = tuple((hz, 2.0, 1e-7, 1e-7, 1e-7) for hz in (20.0, 20_000.0))
    for phase_deg in (-90.0, 0.0, 90.0, 160.0):
        stylus = replace(
            FLAT, tip_radius_um=15.0, harmonics=own, harmonic_phase_deg=(phase_deg, 0.0, 0.0, 0.0)
        )
        rows = measured(tmp_path, stylus)
        assert rows["left_h2_pct"][0] < 2.0 * 1.02
        assert rows["left_h2_most_pct"][0] > 2.0 * 0.98


def test_a_tip_that_can_not_follow_has_no_tracing(tmp_path):
    track = {**TONE, "frequency_hz": 8000.0, "velocity_cm_s": 8.0, "radius_mm": 65.0}
    rows = measured(tmp_path, FLAT, track, (18.0,))
    assert rows["curvature_radius_um"][0] < 18.0
    assert np.isnan(rows["tracing_h2_pct"][0])


def test_a_groove_that_is_not_described_gives_nothing():
    for key in ("velocity_cm_s", "radius_mm"):
        side = make_side({name: value for name, value in TONE.items() if name != key})
        assert not geometry.is_used(side.tracks[0])
