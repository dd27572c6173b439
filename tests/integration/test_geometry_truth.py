"""Geometry of tip, angle and hole, from a whole noisy capture: stages 1 to 3 against the truth.

The bounds are those that the methods pages promise. What the simulator plays is a groove traced
numerically by a ball under an angle, a worn contact that averages over its length, and a hole that
is off centre.
"""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.plan import Side
from grooveledger.simulate import StylusTruth, simulate_capture
from grooveledger.simulate.archives import CARTRIDGES, small_chain
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.simulate.files import write_capture
from measured_capture import measured

RATE = 48_000
CARTRIDGE = {**CARTRIDGES["mm-small"], "cartridge": "mm-small"}
ANGLE_DEG, CUT_DEG, BALL_UM, FLAT_UM, OFFSET_MM = 26.0, 20.0, 10.0, 6.0, 0.15
LOW_HZ, HIGH_HZ = 400.0, 4000.0
TWO_TONE = {
    "kind": "two_tone", "modulation": "vertical", "frequencies_hz": [LOW_HZ, HIGH_HZ],
    "ratio": 4.0, "velocity_cm_s": 6.0, "duration_s": 10.0, "radius_mm": 100.0,
}  # fmt: skip
LEVEL = {"kind": "tone", "frequency_hz": 1000.0, "velocity_cm_s": 5.0, "duration_s": 4.0,
         "radius_mm": 120.0}  # fmt: skip
SPEED = {"kind": "tone", "modulation": "lateral", "frequency_hz": 3150.0, "velocity_cm_s": 5.0,
         "purpose": "speed", "duration_s": 10.0, "radius_mm": 90.0}  # fmt: skip
SWEEP = {"kind": "sweep", "modulation": "lateral", "start_hz": 1000.0, "stop_hz": 16_000.0,
         "velocity_cm_s": 3.0, "duration_s": 12.0}  # fmt: skip


def taken(folder, stylus, *tracks, conditions=REALISTIC):
    side = {
        "record": "r",
        "side": "a",
        "rpm": 33.3333,
        "gap_s": 2.0,
        "vertical_angle_deg": CUT_DEG,
        "tracks": [{"track": i + 1, **track} for i, track in enumerate(tracks)],
    }
    samples, truth = simulate_capture(
        Side.from_mapping(side), stylus, small_chain(), conditions, RATE, 3
    )
    path = folder / "capture.flac"
    write_capture(path, samples, RATE)
    return measured(path, side, small_chain(), CARTRIDGE, folder / "c"), truth


@pytest.fixture(scope="module")
def tones(tmp_path_factory):
    stylus = replace(
        StylusTruth(),
        intermodulation_pct=(0.0, 0.0),
        tip_radius_um=BALL_UM,
        vertical_angle_deg=ANGLE_DEG,
    )
    once = replace(REALISTIC, once_per_rev_pct=100.0 * OFFSET_MM / SPEED["radius_mm"])
    tracks = (
        {**LEVEL, "modulation": "left"},
        {**LEVEL, "modulation": "right"},
        TWO_TONE,
        SPEED,
        {"kind": "silent_groove", "duration_s": 15.0},
    )
    return taken(tmp_path_factory.mktemp("tones"), stylus, *tracks, conditions=once)


def test_nothing_is_wrong_with_the_capture(tones):
    found, _ = tones
    assert found.health["status"] == "ok", found.health["reason"]


def test_vertical_angle_within_two_degrees_and_radius_within_fifteen_per_cent(tones):
    found, _ = tones
    rows = found.rows("vertical_angle")
    assert rows["angle_error_deg"] == pytest.approx([ANGLE_DEG - CUT_DEG] * 2, abs=2.0)
    assert rows["tracing_radius_um"] == pytest.approx([BALL_UM] * 2, rel=0.15)


def test_frequency_modulation_within_five_per_cent_in_phase_and_in_quadrature(tones):
    # A wall that moves by y shifts the point that is read by y times the slope of the angles, and
    # a ball by its radius times the wall's slope: speeds relative to the groove's, in closed form.
    found, _ = tones
    rows = found.rows("modulation", low_order=1)
    speed = 2.0 * np.pi * TWO_TONE["radius_mm"] / 10.0 * 100.0 / 3.0 / 60.0
    low = TWO_TONE["velocity_cm_s"] * TWO_TONE["ratio"] / (1.0 + TWO_TONE["ratio"])
    slope = np.tan(np.radians(ANGLE_DEG)) - np.tan(np.radians(CUT_DEG))
    by_angle = 100.0 * slope * low / speed
    wall = low / np.sqrt(2.0)
    by_tracing = 100.0 * BALL_UM * 1e-4 * 2.0 * np.pi * LOW_HZ * wall / speed**2
    assert np.abs(rows["fm_in_phase_pct"]) == pytest.approx([by_angle] * 2, rel=0.05)
    assert np.abs(rows["fm_quadrature_pct"]) == pytest.approx([by_tracing] * 2, rel=0.05)


def test_eccentricity_within_two_hundredths_of_a_millimetre(tones):
    found, _ = tones
    rows = found.rows("speed")
    off_mm = np.abs(rows["eccentricity_mm"] - OFFSET_MM)
    assert len(off_mm)
    assert np.all(off_mm <= 0.02)
    assert np.all(off_mm <= 2.0 * rows["eccentricity_uncertainty_mm"])


def test_worn_contact_within_fifteen_per_cent(tmp_path):
    stylus = StylusTruth(flat_um=FLAT_UM)
    found, _ = taken(
        tmp_path,
        stylus,
        {**LEVEL, "modulation": "left"},
        {**SWEEP, "radius_mm": 140.0},
        {**SWEEP, "radius_mm": 65.0},
    )
    rows = found.rows("scanning")
    assert rows["loss_db"].max() > 1.0
    assert not rows["contact_limited"].any()
    assert rows["contact_radius_um"][0] == pytest.approx(FLAT_UM / np.sqrt(3.0), rel=0.15)
