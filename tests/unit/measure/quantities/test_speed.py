"""Speed figures: IEC 60386 and AES6 (two-sigma method), geometry of eccentricity, closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grooveledger.measure.quantities import speed
from grooveledger.measure.quantities.speed import (
    TABLE,
    mean_over_turns,
    speed_figures,
    whole_turns,
)
from grooveledger.observe.speed_trace import observe_speed
from grooveledger.physics.weighting import flutter_weighting, two_sigma_peak
from grooveledger.storage import tables
from made_observations import make_context, make_side, swapped_chain
from made_sound import modulated, tracks_at, with_ticks, written

RATE = 1000.0
RPM = 100 / 3
TURN_HZ = RPM / 60
SIDE = make_side(
    {
        "kind": "tone",
        "modulation": "lateral",
        "frequency_hz": 3150.0,
        "velocity_cm_s": 5.0,
        "duration_s": 20.0,
    }
)


def trace(seconds, swings=(), error=0.0, drift_pct_per_min=0.0, start_s=30.0):
    time_s = start_s + np.arange(round(seconds * RATE)) / RATE
    deviation = error + drift_pct_per_min / 60 * (time_s - time_s.mean())
    for hz, pct, phase in swings:
        deviation = deviation + pct * np.cos(2 * np.pi * hz * time_s + phase)
    return time_s, deviation


def figures(*args, rpm=RPM, **kwargs):
    return speed_figures(*trace(*args, **kwargs), rpm)


@pytest.mark.parametrize("seconds", [6.0, 10.0, 20.0, 40.0])
def test_a_4_hz_sine_of_0_1_percent_reads_0_0997(seconds):
    # IEC 60386 Amd 1 two-sigma method, exact for a sine: P sin(0.95 pi / 2) (the 5 % from memory);
    # rms is P / sqrt 2.
    read = figures(seconds, ((4.0, 0.1, 0.4),))
    assert read["wow_flutter_weighted_pct"] == pytest.approx(0.09969, rel=0.005)
    assert read["wow_flutter_unweighted_pct"] == pytest.approx(0.09969, rel=0.01)
    assert read["wow_flutter_weighted_rms_pct"] == pytest.approx(0.0707107, rel=0.005)


@pytest.mark.parametrize("hz", [0.63, 0.8, 1.0, 2.0, 4.0, 6.3, 10.0, 20.0, 40.0, 63.0, 100.0])
def test_steady_modulation_reads_by_the_weighting_curve(hz):
    # IEC 60386 weighting (our fit to the table, from memory) times the sine's two-sigma.
    read = figures(30.0, ((hz, 0.2, 1.0),), error=0.3)
    expected = 0.2 * np.sin(0.95 * np.pi / 2) * np.abs(flutter_weighting(hz))
    assert read["wow_flutter_weighted_pct"] == pytest.approx(expected, rel=0.02)
    assert read["wow_flutter_unweighted_pct"] == pytest.approx(0.19938, rel=0.02)


def test_gaussian_flutter_reads_1_96_rms():
    # Two-sigma of Gaussian noise of rms s: 1.95996 s (5 % exceeded).
    rng = np.random.default_rng(3)
    time_s = np.arange(60_000) / RATE
    read = speed_figures(time_s, 0.05 * rng.standard_normal(60_000), RPM)
    weighted = read["wow_flutter_weighted_rms_pct"]
    assert read["wow_flutter_weighted_pct"] == pytest.approx(1.95996 * weighted, rel=0.03)
    # white noise within 200 of its 500 Hz
    assert read["wow_flutter_unweighted_pct"] == pytest.approx(
        1.95996 * 0.05 * np.sqrt(199.8 / 500), rel=0.02
    )


@pytest.mark.parametrize(
    ("eccentricity_mm", "radius_mm", "peak_pct"),
    [(0.1, 60, 0.1667), (0.2, 100, 0.2000), (0.5, 146, 0.3425)],
)
def test_eccentricity(eccentricity_mm, radius_mm, peak_pct):
    # Geometry: a hole off centre by e modulates the speed at radius r by e / r, once a turn.
    part = eccentricity_mm / radius_mm
    read = figures(20.0, ((TURN_HZ, 100 * part, 0.9),))
    assert read["once_per_rev_pct"] == pytest.approx(peak_pct, abs=5e-5)
    assert read["speed_error_pct"] == pytest.approx(0.0, abs=2e-5)
    # at once a turn of 33 1/3 the fit to the weighting (from memory) is 10.07 dB down
    assert read["wow_flutter_weighted_pct"] == pytest.approx(
        0.99692 * peak_pct * 10 ** (-10.07 / 20), rel=0.005
    )


def test_once_a_turn_is_that_of_the_played_speed():
    turn_hz = 0.75 * 1.004
    read = speed_figures(*trace(16.0, ((turn_hz, 0.15, 0.2),), error=0.4), 45.0)
    assert read["once_per_rev_pct"] == pytest.approx(0.15, rel=1e-3)
    assert read["speed_error_pct"] == pytest.approx(0.4, abs=1e-4)


def test_drift_is_told_apart_from_wow():
    read = figures(12.0, ((TURN_HZ, 0.2, 0.7), (4.0, 0.05, 0.0)), drift_pct_per_min=0.12)
    assert read["drift_pct_per_min"] == pytest.approx(0.12, rel=0.01)
    assert read["once_per_rev_pct"] == pytest.approx(0.2, rel=0.005)
    assert read["seconds"] == pytest.approx(12.0)


@settings(deadline=None, max_examples=30)
@given(st.floats(0, 6.3), st.floats(3.0, 20.0), st.floats(-3, 3), st.floats(0.5, 30.0))
def test_wow_does_not_move_the_mean(phase, seconds, error, other_hz):
    swings = ((TURN_HZ, 0.2, phase), (2 * TURN_HZ, 0.1, 2 * phase))
    _, deviation = trace(seconds, swings, error)
    # half a sample of rounding at each end of a turn is all that is left
    assert mean_over_turns(deviation, RATE / TURN_HZ) == pytest.approx(error, abs=1e-4)
    _, fluttering = trace(20.0, ((other_hz, 0.1, phase),), error)
    assert mean_over_turns(fluttering, RATE / TURN_HZ) == pytest.approx(error, abs=2e-3)


@pytest.mark.parametrize("hz", [0.22, 0.25, 0.3, 0.35, 0.4])
def test_slow_flutter_reads_alike_however_long_its_track(hz):
    # The two-sigma of a sine, P sin(0.95 pi / 2), and the fit to the weighting (from memory).
    two_sigma_pct = 0.1 * np.sin(0.95 * np.pi / 2)
    weighted_pct = two_sigma_pct * np.abs(flutter_weighting(hz))
    for seconds, rel in ((6.0, 0.16), (10.0, 0.06), (20.0, 0.02), (40.0, 0.005), (60.0, 0.005)):
        for phase in (0.0, 0.8, 1.6, 2.4):
            time_s, deviation = trace(seconds, ((hz, 0.1, phase),))
            read = speed_figures(time_s[::5], deviation[::5], RPM)
            assert read["wow_flutter_unweighted_pct"] == pytest.approx(two_sigma_pct, rel=rel)
            weighted_rel = 0.003 if seconds >= 10.0 else 0.03
            assert read["wow_flutter_weighted_pct"] == pytest.approx(weighted_pct, rel=weighted_rel)


def test_slow_flutter_on_short_tracks_is_covered_by_its_uncertainty():
    # Two-sigma over the whole turns of the trace, of what went in; half-width of a rectangle.
    rng = np.random.default_rng(5)
    held = []
    for seconds in [5.0, 6.0, 10.0, 20.0] * 20:
        slow_hz, slow_pct, once_pct = rng.uniform([0.2, 0.0, 0.0], [0.5, 0.1, 0.2])
        parts = ((slow_hz, slow_pct), (TURN_HZ, once_pct), (4.2, 0.03))
        time_s, deviation = trace(seconds, [(*part, rng.uniform(0.0, 6.3)) for part in parts])
        time_s, deviation = time_s[::5], deviation[::5]
        true_pct = two_sigma_peak(deviation[: whole_turns(len(time_s), RATE / 5 / TURN_HZ)])
        drifting = deviation + rng.uniform(-0.1, 0.1) / 60.0 * (time_s - time_s.mean())
        read = speed_figures(time_s, drifting, RPM)
        u_pct = read["wow_flutter_unweighted_uncertainty_pct"]
        off_pct = abs(read["wow_flutter_unweighted_pct"] - true_pct)
        held.append(off_pct <= np.sqrt(3.0) * u_pct)
        if seconds == 20.0:
            assert u_pct < 0.05 * true_pct
    assert np.mean(held) >= 0.93


def test_an_off_centre_record_alone_adds_hardly_any_uncertainty():
    read = figures(6.0, ((TURN_HZ, 0.2, 0.3), (4.0, 0.02, 0.1)))
    assert read["wow_flutter_unweighted_uncertainty_pct"] < 0.01
    assert read["once_per_rev_uncertainty_pct"] < 0.002


@pytest.mark.parametrize("seconds", [10.0, 20.0])
def test_what_lies_near_the_rotation_is_in_the_uncertainty_of_once_a_turn(seconds):
    # A belt's own turn at 0.45 to 0.5 Hz beside an off-centre record.
    for hz in (0.45, 0.475, 0.5):
        for phase in (0.0, 1.6, 3.2, 4.8):
            time_s, deviation = trace(seconds, ((TURN_HZ, 0.15, 0.3), (hz, 0.04, phase)))
            read = speed_figures(time_s[::5], deviation[::5], RPM)
            off_pct = abs(read["once_per_rev_pct"] - 0.15)
            assert off_pct <= 2.0 * read["once_per_rev_uncertainty_pct"] + 0.002


@pytest.mark.parametrize("seconds", [6.0, 20.0])
def test_multiples_of_the_rotation_are_told_apart(seconds):
    parts_pct = (0.2, 0.05, 0.03, 0.02)
    swings = [((k + 1) * TURN_HZ, pct, 0.5 * k) for k, pct in enumerate(parts_pct)]
    read = figures(seconds, swings)
    names = ("once", "twice", "three", "four")
    for name, pct in zip(names, parts_pct, strict=True):
        assert read[f"{name}_per_rev_pct"] == pytest.approx(pct, abs=1e-4)


def test_a_trace_too_short_for_wow_has_its_mean_only():
    read = figures(2.0, error=0.1)
    assert read["speed_error_pct"] == pytest.approx(0.1)
    assert np.isnan(read["wow_flutter_weighted_pct"])
    assert np.isnan(read["once_per_rev_pct"])


def observed(tmp_path, samples, rate, chain=None):
    path = written(tmp_path, samples, rate)
    stretch = tracks_at((0.0, len(samples) / rate))
    rows = observe_speed(path, stretch, SIDE, {"guard_s": 0.3}, "c1")
    context = make_context(SIDE, {"speed_trace": tables.columns(rows)})
    if chain is not None:
        context = make_context(SIDE, {"speed_trace": tables.columns(rows)}, chain=chain)
    return tables.columns(speed.measure(context))


SWINGS = ((TURN_HZ * 1.003, 1e-3, 0.4), (4.2, 4e-4, 1.0), (11.0, 2e-4, 2.0), (50.0, 1e-4, 0.5))


def true_weighted_pct():
    time_s = np.arange(0, 600, 1e-3)
    weighted = sum(
        part * np.real(flutter_weighting(f) * np.exp(2j * np.pi * f * time_s + 1j * phase))
        for f, part, phase in SWINGS
    )
    return 100 * np.quantile(np.abs(weighted), 0.95)


def test_from_sound_to_figures_when_clean(tmp_path):
    # Wow and flutter within 3 % of itself, speed within 0.002 %.
    swings = tuple((f, part, phase) for f, part, phase in SWINGS)
    samples = 0.1 * modulated(3150 * 1.003, 48_000, 12.0, swings)
    read = observed(tmp_path, samples, 48_000)
    assert list(read["channel"]) == ["left", "right"]
    np.testing.assert_allclose(read["speed_error_pct"], 0.3, atol=0.002)
    np.testing.assert_allclose(read["mean_hz"], 3150 * 1.003, rtol=2e-5)
    np.testing.assert_allclose(read["wow_flutter_weighted_pct"], true_weighted_pct(), rtol=0.03)
    np.testing.assert_allclose(read["once_per_rev_pct"], 0.1, rtol=0.01)


def test_from_sound_to_figures_with_noise_and_ticks(tmp_path):
    # Wow and flutter within 10 % of itself, speed within 0.01 %, noise 45 dB below the tone and a
    # tick as large as it every second.
    samples = 0.1 * modulated(3150 * 1.003, 48_000, 12.0, SWINGS)
    noise = 4e-4 * np.random.default_rng(4).standard_normal((len(samples), 2))
    noisy = with_ticks(samples[:, None] + noise, 48_000, np.arange(0.5, 11.6, 1.0), 0.2)
    read = observed(tmp_path, noisy, 48_000)
    np.testing.assert_allclose(read["speed_error_pct"], 0.3, atol=0.01)
    np.testing.assert_allclose(read["wow_flutter_weighted_pct"], true_weighted_pct(), rtol=0.1)


def test_channels_are_named_as_the_cartridge_has_them(tmp_path):
    tone = 0.1 * modulated(3150, 48_000, 6.0)
    dead = np.zeros_like(tone)
    read = observed(tmp_path, np.column_stack([tone, dead]), 48_000, swapped_chain())
    assert list(read["channel"]) == ["right"]


def test_no_trace_no_rows():
    empty = tables.columns(TABLE.schema.empty_table())
    none = dict.fromkeys(("track", "time_s", "deviation_pct"), empty["track"])
    none["channel"] = np.empty(0, object)
    rows = speed.measure(make_context(SIDE, {"speed_trace": none}))
    assert rows.schema == TABLE.schema
    assert not rows.num_rows


def test_flutter_without_the_once_per_revolution_part_is_the_turntables():
    # A record 0.2 mm off centre at 100 mm gives 0.2 % once a revolution (offset over radius); the
    # turntable 0.05 % at 4 Hz, two-sigma 0.04985 % (exact for a sine), which alone is left.
    once_pct = 100.0 * 0.2 / 100.0
    read = figures(30.0, ((TURN_HZ, once_pct, 0.3), (2 * TURN_HZ, 0.01, 1.0), (4.0, 0.05, 0.4)))
    assert read["twice_per_rev_pct"] == pytest.approx(0.01, abs=2e-4)
    alone = figures(30.0, ((2 * TURN_HZ, 0.01, 1.0), (4.0, 0.05, 0.4)))
    for weighting in ("weighted", "unweighted"):
        expected = alone[f"wow_flutter_{weighting}_pct"]
        assert read[f"wow_flutter_{weighting}_rest_pct"] == pytest.approx(expected, rel=0.01)
    assert read["wow_flutter_unweighted_pct"] > 3 * read["wow_flutter_unweighted_rest_pct"]


@pytest.mark.parametrize("radius_mm", [60.0, 100.0, 146.0])
@pytest.mark.parametrize("offset_mm", [0.05, 0.2, 0.5])
def test_eccentricity_within_0_02_mm(offset_mm, radius_mm):
    rng = np.random.default_rng(4)
    once_pct = 100.0 * offset_mm / radius_mm
    time_s, deviation = trace(20.0, ((TURN_HZ, once_pct, 0.3), (4.0, 0.05, 0.4)), error=0.3)
    deviation = deviation + 0.1 * rng.standard_normal(len(deviation))
    found_mm = speed.eccentricity_mm(
        speed_figures(time_s, deviation, RPM)["once_per_rev_pct"], radius_mm
    )
    assert found_mm == pytest.approx(offset_mm, abs=0.02)
    assert speed.eccentricity_mm(0.1, None) is None
