"""Segmentation against the simulator's truth."""

from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from grooveledger import tables
from grooveledger.plan import Chain, Side
from grooveledger.segmentation import segment
from grooveledger.simulate.capture import simulate_capture
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.simulate.files import write_capture
from grooveledger.simulate.stylus import StylusTruth

BLOCK = Path(__file__).parents[2] / "workflow/schemas/blocks/segment.yaml"
SETTINGS = {
    key: value["default"] for key, value in yaml.safe_load(BLOCK.read_text())["properties"].items()
}
#: Boundaries are asked for within 0.15 s; this holds them tighter.
BOUNDARY_S = 0.06
CHAIN = Chain(
    chain="bench",
    arm_effective_mass_g=13.0,
    cable_resistance_ohm=0.3,
    cable_inductance_uh=1.0,
    cable_capacitance_pf=110.0,
    input_resistance_ohm=47_000.0,
    input_capacitance_pf=45.0,
    gain_db=40.0,
    equalisation="iec98",
    full_scale_v_rms=2.0,
)
SIDE = Side.from_mapping(
    {
        "record": "bench-a",
        "side": "a",
        "rpm": 33.3333,
        "gap_s": 2.0,
        "tracks": [
            {"track": 1, "kind": "tone", "modulation": "left", "frequency_hz": 1000,
             "velocity_cm_s": 5, "duration_s": 4},
            {"track": 2, "kind": "tone", "modulation": "right", "frequency_hz": 1000,
             "velocity_cm_s": 5, "duration_s": 4},
            {"track": 3, "kind": "sweep", "modulation": "left", "start_hz": 20, "stop_hz": 20000,
             "recorded": "iec98", "velocity_cm_s": 3, "duration_s": 12},
            {"track": 4, "kind": "silent_groove", "duration_s": 6},
            {"track": 5, "kind": "tone", "modulation": "vertical", "frequency_hz": 3150,
             "velocity_cm_s": 5, "duration_s": 5},
        ],
    }
)  # fmt: skip


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    path = tmp_path_factory.mktemp("captures") / "a.flac"
    conditions = replace(REALISTIC, lead_in_s=2.0, lead_out_s=2.0)
    samples, truth = simulate_capture(SIDE, StylusTruth(), CHAIN, conditions, 48_000, seed=3)
    write_capture(path, samples, 48_000)
    return path, truth


def test_all_tracks_lie_where_they_were_played(played):
    path, truth = played
    tracks, health = segment(path, SIDE, SETTINGS, "one")
    rows = tables.columns(tracks)
    assert health["status"].to_pylist() == ["ok"]
    assert health["channel_order"].to_pylist() == ["as_named"]
    assert rows["match"].tolist() == ["found"] * 5
    for number, start_s, stop_s in zip(rows["track"], rows["start_s"], rows["stop_s"], strict=True):
        placed = truth.placed(int(number))
        assert abs(start_s - placed.start_s) < BOUNDARY_S
        assert abs(stop_s - placed.stop_s) < BOUNDARY_S


def test_a_missing_file_is_rejected_with_its_reason(tmp_path):
    tracks, health = segment(tmp_path / "no.flac", SIDE, SETTINGS, "one")
    assert tracks.num_rows == 0
    assert health["status"].to_pylist() == ["rejected"]
    assert "no file no.flac" in health["reason"].to_pylist()[0]
