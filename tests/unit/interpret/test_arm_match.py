"""Arms and cartridges of an archive: a measurement in one arm predicts the resonance in another."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from grooveledger.interpret.arm_match import arm_match_table
from grooveledger.measure.quantities import resonance, resonance_fit
from grooveledger.observe.orders import observe_orders
from grooveledger.plan import Cartridge
from grooveledger.schemas.interpret import ARM_MATCH
from grooveledger.simulate import StylusTruth, simulate_capture
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.storage import data_frames, tables
from made_observations import CHAIN, make_context, make_side
from made_sound import tracks_at, written

LIGHT = replace(CHAIN, chain="light", arm_effective_mass_g=7.0, gain_db=34.0)
HEAVY = replace(CHAIN, chain="heavy", arm_effective_mass_g=22.0, gain_db=34.0)
SHEET = Cartridge("mm-one", "moving_magnet", mass_g=6.5, static_compliance_um_per_mn=24.0)
STYLUS = StylusTruth()
SWEEP = {
    "kind": "sweep",
    "purpose": "resonance",
    "modulation": "lateral",
    "start_hz": 25.0,
    "stop_hz": 4.0,
    "recorded": "constant_amplitude",
    "velocity_cm_s": 15.0,
    "duration_s": 40.0,
}
NOTHING = pd.DataFrame(columns=["capture", "axis", "dynamic_compliance_um_per_mn"])
NO_CAPTURES = pd.DataFrame(columns=["capture", "cartridge", "chain"])


def rows_by_basis(fits, captures):
    chains = {"light": LIGHT, "heavy": HEAVY}
    frame = arm_match_table({"mm-one": SHEET}, chains, captures, fits)
    data_frames.rows(ARM_MATCH, frame)
    return {(row["basis"], row["chain"]): row for row in frame.to_dict("records")}


def test_the_data_sheet_says_something_before_anything_is_measured():
    rows = rows_by_basis(NOTHING, NO_CAPTURES)
    assert set(rows) == {("half the static", "light"), ("half the static", "heavy")}
    row = rows["half the static", "heavy"]
    assert row["axis"] == "both"
    assert row["resonance_hz"] == pytest.approx(159.155 / np.sqrt(28.5 * 12.0), rel=1e-4)
    assert row["verdict"] == "within"
    assert not row["certain"]


def test_a_simulated_measurement_in_one_arm_predicts_the_other(tmp_path):
    side = make_side(SWEEP, gap_s=2.0)
    samples, truth = simulate_capture(side, STYLUS, LIGHT, REALISTIC, 44_100, 4)
    path = written(tmp_path, samples, 44_100, "PCM_24")
    tracks = tracks_at(*((one.start_s, one.stop_s) for one in truth.tracks))
    settings = {
        "order_max": 2,
        "points_per_octave": 24,
        "window_cycles": 8,
        "window_shortest_s": 0.03,
        "spectrum_top_hz": 20_000,
    }
    orders = tables.columns(observe_orders(path, tracks, side, settings, "c1")[0])
    context = make_context(side, {"orders": orders}, {}, LIGHT, SHEET)
    assert resonance.MEASURE.uses(side.tracks[0])
    fits = resonance_fit.measure(context).to_pandas()
    captures = pd.DataFrame({"capture": ["c1"], "cartridge": ["mm-one"], "chain": ["light"]})
    rows = rows_by_basis(fits, captures)
    for chain in (LIGHT, HEAVY):
        true_hz = STYLUS.resonance_hz(chain)[0]
        row = rows["measured", chain.chain]
        assert row["axis"] == "lateral"
        assert row["resonance_hz"] == pytest.approx(true_hz, rel=0.03)
        assert row["resonance_low_hz"] < true_hz < row["resonance_high_hz"]


def test_captures_of_one_cartridge_are_pooled_by_axis():
    fits = pd.DataFrame(
        {
            "capture": ["a", "b", "c", "d"],
            "axis": ["lateral", "lateral", "lateral", "vertical"],
            "dynamic_compliance_um_per_mn": [12.0, 13.0, 14.0, 10.0],
        }
    )
    captures = pd.DataFrame(
        {"capture": list("abcd"), "cartridge": "mm-one", "chain": ["light"] * 4}
    )
    frame = arm_match_table({"mm-one": SHEET}, {"light": LIGHT}, captures, fits)
    measured = frame[frame["basis"] == "measured"].set_index("axis")
    assert measured.loc["lateral", "compliance_um_per_mn"] == 13.0
    assert measured.loc["vertical", "compliance_um_per_mn"] == 10.0


@pytest.mark.parametrize(
    ("values", "scatter"),
    [([12.0, 13.0, 14.0], np.sqrt(2.0 / 3.0) / 13.0), ([13.0, 13.0, 13.0, 13.0], 0.05)],
)
def test_the_mean_of_captures_is_surer_and_the_arms_mass_is_not(values, scatter):
    """Of n captures the root; 12 % of an arm of 7 g, of 13.5 g in all: rectangular."""
    names = list("abcd")[: len(values)]
    fits = pd.DataFrame(
        {"capture": names, "axis": "lateral", "dynamic_compliance_um_per_mn": values}
    )
    captures = pd.DataFrame({"capture": names, "cartridge": "mm-one", "chain": "light"})
    loose = replace(LIGHT, arm_mass_tolerance_pct=12.0)
    frame = arm_match_table({"mm-one": SHEET}, {"light": loose}, captures, fits)
    (row,) = frame[frame["basis"] == "measured"].to_dict("records")
    relative = np.hypot(scatter / np.sqrt(len(values)), 0.12 / np.sqrt(3.0) * 7.0 / 13.5)
    assert row["compliance_uncertainty_um_per_mn"] == pytest.approx(13.0 * relative)
    assert row["moving_mass_g"] == 13.5
