"""Speed and noise of simulated captures against the truth that went into them."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from grooveledger.measure.quantities import noise, speed
from grooveledger.observe.noise_density import observe_noise
from grooveledger.observe.orders import observe_orders
from grooveledger.observe.speed_trace import observe_speed
from grooveledger.simulate import Conditions, StylusTruth, simulate_capture
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.storage import tables
from made_observations import CARTRIDGE, CHAIN, make_context, make_side
from made_sound import tracks_at, written

RATE = 48_000
TONE = {"kind": "tone", "frequency_hz": 1000.0, "velocity_cm_s": 5.0, "duration_s": 4.0}
SPEED = {**TONE, "modulation": "lateral", "frequency_hz": 3150.0, "duration_s": 12.0}
SPEED["radius_mm"] = 100.0
SPEED_SIDE = make_side(SPEED, gap_s=2.0)
SIDE = make_side(
    SPEED,
    {**TONE, "modulation": "left", "purpose": "level"},
    {**TONE, "modulation": "right", "purpose": "level"},
    {"kind": "silent_groove", "duration_s": 24.0},
    gap_s=2.0,
)
ORDERS = {
    "order_max": 2,
    "points_per_octave": 24,
    "window_cycles": 8,
    "window_shortest_s": 0.03,
    "spectrum_top_hz": 20_000,
}
CLEAN = Conditions(
    speed_error_pct=0.3,
    once_per_rev_pct=0.12,
    flutter=((4.2, 0.05), (11.0, 0.015), (50.0, 0.01)),
    drift_pct_per_min=0.02,
)
SHAKY = replace(REALISTIC, ticks_per_min=30.0)


@pytest.fixture(scope="module")
def simulated(tmp_path_factory):
    """Context and truth of a simulated capture, each made once."""

    @lru_cache
    def made(side, conditions, chain):
        chain = replace(chain, gain_db=34.0)
        samples, truth = simulate_capture(side, StylusTruth(), chain, conditions, RATE, seed=1)
        path = written(tmp_path_factory.mktemp("simulated"), samples, RATE, "PCM_24")
        tracks = tracks_at(*((one.start_s, one.stop_s) for one in truth.tracks))
        noise_settings = {"guard_s": 0.3, "tick_threshold_db": 13.0}
        observations = {
            "orders": observe_orders(path, tracks, side, ORDERS, "c1")[0],
            "speed_trace": observe_speed(path, tracks, side, {"guard_s": 0.3}, "c1"),
            **dict(
                zip(
                    ("noise_density", "noise_level"),
                    observe_noise(path, tracks, side, noise_settings, "c1"),
                    strict=True,
                )
            ),
        }
        columns = {name: tables.columns(rows) for name, rows in observations.items()}
        settings = {"reference_velocity_cm_s": 5.0, "mains_hz": 50.0}
        return make_context(side, columns, settings, chain, CARTRIDGE), truth

    return made


@pytest.mark.parametrize(
    ("side", "conditions", "flutter_rel", "speed_abs"),
    [(SPEED_SIDE, CLEAN, 0.03, 0.002), (SIDE, SHAKY, 0.1, 0.01)],
    ids=["clean", "realistic"],
)
def test_speed_wow_and_flutter(simulated, side, conditions, flutter_rel, speed_abs):
    context, truth = simulated(side, conditions, CHAIN)
    rows = tables.columns(speed.measure(context))
    true = truth.speed(1)
    assert list(rows["channel"]) == ["left", "right"]
    np.testing.assert_allclose(rows["speed_error_pct"], true.speed_error_pct, atol=speed_abs)
    for name in (
        "wow_flutter_weighted_pct",
        "wow_flutter_weighted_rms_pct",
        "wow_flutter_unweighted_pct",
        "once_per_rev_pct",
    ):
        np.testing.assert_allclose(rows[name], getattr(true, name), rtol=flutter_rel)
    # the hole's offset at this radius that gives the once-per-revolution part put in
    offset_mm = conditions.once_per_rev_pct / 100.0 * SPEED["radius_mm"]
    np.testing.assert_allclose(rows["eccentricity_mm"], offset_mm, atol=0.02)
    off_mm = np.abs(rows["eccentricity_mm"] - offset_mm)
    assert np.all(off_mm <= 2.0 * rows["eccentricity_uncertainty_mm"])
    np.testing.assert_allclose(rows["drift_pct_per_min"], true.drift_pct_per_min, atol=0.01)


CHAINS = {
    "plain": CHAIN,
    "flat, miswired": replace(CHAIN, equalisation="flat", swap_channels=True, invert=("right",)),
}


@pytest.mark.parametrize("chain", CHAINS.values(), ids=CHAINS)
def test_noise_with_ticks(simulated, chain):
    context, truth = simulated(SIDE, SHAKY, chain)
    rows = noise.measure(context).to_pylist()
    placed = truth.placed(4)
    guarded = [t for t in truth.tick_times_s if placed.start_s + 0.3 < t < placed.stop_s - 0.3]
    assert {row["channel"] for row in rows} == {"left", "right", "lateral", "vertical"}
    for row in rows:
        true = truth.noise()[row["channel"]]
        assert row["sensitivity_from"] == "measured"
        for name in ("rumble_weighted_db", "noise_a_db", "noise_468_rms_db"):
            assert row[name] == pytest.approx(getattr(true, name), abs=0.3), name
        # BS.468-4 quasi-peak: noise of some octaves' width reads about 4 dB above its rms (from
        # memory); ticks add to the reading that has them.
        above_db = row["noise_468_db"] - true.noise_468_rms_db
        assert 3.5 < above_db < 5.0
        assert row["noise_468_highest_db"] > row["noise_468_with_ticks_db"] > row["noise_468_db"]
        # Three hertz about the arm's resonance for 23 s scatter by 1 / sqrt(B T), 0.5 dB, of which
        # no analysis can know.
        assert row["rumble_unweighted_db"] == pytest.approx(true.rumble_unweighted_db, abs=0.8)
        assert row["ticks_per_min"] * row["seconds"] / 60 == pytest.approx(len(guarded), abs=1)
        if row["channel"] != "vertical":
            # a line 25 dB below the rumble is known to a decibel or two
            assert row["hum_db"] == pytest.approx(true.hum_db, abs=2.0)
        else:
            assert row["hum_limited"]  # hum is the same in both channels
            assert row["hum_db"] > true.hum_db
