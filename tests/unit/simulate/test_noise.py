"""Noise of a simulated capture: surface, rumble, hum, hiss, ticks and the needle's landing."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.physics.equalisation import replay_response
from grooveledger.physics.weighting import a_weighting_db, rumble_weighting_db, weighting_468_db
from grooveledger.plan import Track
from grooveledger.simulate import simulate_capture
from made_simulations import CHAIN, QUICK, RATE, STYLUS, side_of, tone, volts_to_mv


def test_noise_has_the_densities_that_the_truth_integrates() -> None:
    side = side_of(tone(1, "left", 1000.0, 1.0), Track(2, "silent_groove", 30.0))
    conditions = replace(QUICK, surface_a_db=-60.0, rumble_db=-45.0, hum_db=-50.0, hiss_a_db=-66.0)
    samples, truth = simulate_capture(side, STYLUS, CHAIN, conditions, RATE, 8)
    groove = truth.placed(2)
    quiet = samples[int((groove.start_s + 0.5) * RATE) :][: 30 * RATE]
    hz = np.fft.rfftfreq(len(quiet), 1.0 / RATE)[1:]
    spectrum = np.fft.rfft(quiet, axis=0)[1:] * volts_to_mv(hz)[:, None]
    spectrum = spectrum * replay_response(hz, "iec98")[:, None] / STYLUS.sensitivity_mv_per_cm_s
    velocity = {
        "left": spectrum[:, 0],
        "right": spectrum[:, 1],
        "lateral": (spectrum[:, 0] + spectrum[:, 1]) / np.sqrt(2.0),
        "vertical": (spectrum[:, 0] - spectrum[:, 1]) / np.sqrt(2.0),
    }
    near_mains = np.min(np.abs(hz[:, None] - 50.0 * np.arange(1, 11)), axis=1) < 0.1
    for channel, expected in truth.noise().items():
        power = 2.0 * np.abs(velocity[channel]) ** 2 / len(quiet) ** 2 / 5.0**2
        power[hz < 1.0] = 0.0
        levels = {
            "rumble_unweighted_db": rumble_weighting_db(hz, "unweighted"),
            "rumble_weighted_db": rumble_weighting_db(hz, "weighted"),
            "noise_a_db": a_weighting_db(hz),
            "noise_468_rms_db": weighting_468_db(hz),
        }
        for name, weighting_db in levels.items():
            found_db = 10 * np.log10(np.sum(power * 10.0 ** (weighting_db / 10.0)))
            # rumble has some 500 degrees of freedom in 30 s: 0.2 dB standard error
            tolerance_db = 0.6 if "unweighted" in name else 0.2
            assert found_db == pytest.approx(getattr(expected, name), abs=tolerance_db)
        if channel != "vertical":  # where the hum all but cancels
            hum_db = 10 * np.log10(np.sum(power[near_mains]))
            assert hum_db == pytest.approx(expected.hum_db, abs=0.1)


def test_levels_of_noise_are_as_asked_for() -> None:
    flat = replace(
        STYLUS,
        tip_resonance_hz=1e6,
        coil_inductance_mh=0.0,
        sensitivity_mv_per_cm_s=(1.0, 1.0),
        crosstalk_left_to_right=((1000.0, -300.0, 0.0),),
        crosstalk_right_to_left=((1000.0, -300.0, 0.0),),
        compliance_um_per_mn=(1e5, 1e5),
    )
    side = side_of(tone(1, "left", 1000.0, 1.0))

    def noise(**levels: float | None) -> dict[str, float]:
        _, truth = simulate_capture(side, flat, CHAIN, replace(QUICK, **levels), RATE, 1)
        return {name: getattr(truth.noise()["left"], name) for name in ("noise_a_db", "hum_db")} | {
            "rumble": truth.noise()["lateral"].rumble_unweighted_db
        }

    assert noise(surface_a_db=-61.0)["noise_a_db"] == pytest.approx(-61.0, abs=0.01)
    assert noise(hiss_a_db=-71.0)["noise_a_db"] == pytest.approx(-71.0, abs=0.01)
    assert noise(rumble_db=-41.0)["rumble"] == pytest.approx(-41.0, abs=0.1)
    assert noise(hum_db=-51.0)["hum_db"] == pytest.approx(-51.0, abs=1e-6)


def test_ticks_are_where_the_truth_says() -> None:
    side = side_of(tone(1, "left", 1000.0, 1.0), Track(2, "silent_groove", 20.0))
    conditions = replace(QUICK, ticks_per_min=120.0, tick_cm_s=20.0)
    samples, truth = simulate_capture(side, STYLUS, CHAIN, conditions, RATE, 9)
    groove = truth.placed(2)
    times = np.array(truth.tick_times_s)
    inside = times[(times > groove.start_s + 0.1) & (times < groove.start_s + 20.0)]
    assert 20 < len(inside) < 62  # 120 a minute over 20 s: 40, Poisson
    treble = np.abs(np.diff(samples, axis=0)).max(axis=1)
    for time_s in inside:
        around = treble[int(time_s * RATE) - 2 : int(time_s * RATE) + 10]
        assert around.max() > 20.0 * np.median(treble[int(groove.start_s * RATE) :]) + 1e-5


def test_the_needle_lands_and_the_sound_dies_away() -> None:
    conditions = replace(QUICK, needle_drop_s=0.6, lead_in_s=1.5, needle_drop_cm_s=10.0)
    samples, _ = simulate_capture(
        side_of(tone(1, "left", 1000.0, 1.0)), STYLUS, CHAIN, conditions, RATE, 10
    )
    before, landing, later = (
        np.sqrt(np.mean(samples[int(a * RATE) : int(b * RATE)] ** 2))
        for a, b in ((0.0, 0.55), (0.6, 0.65), (1.4, 1.6))
    )
    assert before < 1e-3 * landing
    assert later < 3e-2 * landing
