"""The level of silence where there is none to speak of."""

from pathlib import Path

import pytest
import yaml

from grooveledger.segment.job import segment
from grooveledger.simulate import Conditions, StylusTruth, simulate_capture
from made_observations import make_side
from made_simulations import CHAIN
from made_sound import written

BLOCK = Path(__file__).parents[3] / "workflow/schemas/blocks/segment.yaml"
SETTINGS = {
    key: value["default"] for key, value in yaml.safe_load(BLOCK.read_text())["properties"].items()
}
RATE = 44_100
TONE = {"kind": "tone", "frequency_hz": 1000.0, "velocity_cm_s": 3.5, "duration_s": 5.0}
SWEEP = {
    "kind": "sweep",
    "start_hz": 20.0,
    "stop_hz": 20_000.0,
    "velocity_cm_s": 1.5,
    "duration_s": 50.0,
}


@pytest.mark.parametrize("recorded", ["iec98", "constant_velocity"])
def test_a_capture_without_noise_whose_sweeps_start_slowly(tmp_path, recorded):
    """Beside tones and sweeps there is nothing but rounding and what rings off."""
    side = make_side(
        *({**TONE, "modulation": channel} for channel in ("left", "right")),
        *({**SWEEP, "modulation": channel, "recorded": recorded} for channel in ("left", "right")),
        gap_s=2.0,
    )
    samples, truth = simulate_capture(side, StylusTruth(), CHAIN, Conditions(), RATE, 1)
    path = written(tmp_path, samples, RATE, "PCM_24")
    tracks, health = segment(path, side, SETTINGS, "one")
    assert health["status"].to_pylist() == ["ok"], health["reason"]
    for row, one in zip(tracks.to_pylist(), truth.tracks, strict=True):
        assert row["match"] == "found"
        assert (row["start_s"], row["stop_s"]) == pytest.approx((one.start_s, one.stop_s), abs=0.15)
