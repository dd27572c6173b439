"""The speed trace of tones made in closed form, and of ones that a second method demodulates."""

import numpy as np
import pytest
import scipy.signal

from grooveledger.observe import speed_trace
from grooveledger.observe.speed_trace import frequency_offset, observe_speed, steady_part
from grooveledger.schemas.observe import SPEED_TRACE
from grooveledger.storage import tables
from made_observations import make_side
from made_sound import modulated, tracks_at, with_ticks, written

SETTINGS = {"guard_s": 0.3}


def tone_side(hz: float = 3150.0, modulation: str = "lateral", duration_s: float = 6.0, **facts):
    track = {
        "kind": "tone",
        "modulation": modulation,
        "frequency_hz": hz,
        "duration_s": duration_s,
        "velocity_cm_s": 5.0,
    }
    return make_side({**track, **facts})


def traced(tmp_path, samples, rate, side=None, stretch=None):
    path = written(tmp_path, samples, rate)
    stretch = stretch or (0.0, len(samples) / rate)
    rows = observe_speed(path, tracks_at(stretch), side or tone_side(), SETTINGS, "c1")
    assert rows.schema == SPEED_TRACE.schema
    columns = tables.columns(rows)
    return {
        channel: (
            columns["time_s"][columns["channel"] == channel],
            columns["deviation_pct"][columns["channel"] == channel],
        )
        for channel in ("left", "right")
    }


def swing_pct(time_s, swings):
    return 100 * sum(part * np.cos(2 * np.pi * f * time_s + phase) for f, part, phase in swings)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("hz", [3150.0, 3000.0])
def test_deviation_is_traced_up_to_200_hz(tmp_path, rate, hz):
    swings = ((0.5556, 2e-3, 0.3), (4.0, 1e-3, 1.0), (60.0, 3e-4, 2.0), (200.0, 2e-4, 0.1))
    samples = 0.2 * modulated(hz, rate, 3.0, swings)
    time_s, deviation = traced(tmp_path, samples, rate, tone_side(hz))["left"]
    assert 0.3 < time_s[0] < 0.35
    assert 2.65 < time_s[-1] < 2.7
    np.testing.assert_allclose(deviation, swing_pct(time_s, swings), atol=2e-4)


@pytest.mark.parametrize(("hz", "played_hz"), [(500, 500), (1000, 1003), (10_000, 9_950)])
def test_any_steady_tone_from_500_hz_serves(tmp_path, hz, played_hz):
    swings = ((4.0, 1e-3, 0.0),)
    samples = 0.1 * modulated(played_hz, 48_000, 3.0, swings)
    time_s, deviation = traced(tmp_path, samples, 48_000, tone_side(hz))["right"]
    expected = 100 * ((1 + swing_pct(time_s, swings) / 100) * played_hz / hz - 1)
    np.testing.assert_allclose(deviation, expected, atol=5e-4)


@pytest.mark.parametrize("speed", [45 / (100 / 3), 1.05 * 1.35, 1 / 1.35, 0.95, 1.05])
def test_a_wrong_speed_is_found(tmp_path, speed):
    samples = 0.1 * modulated(3150 * speed, 48_000, 2.0)
    deviation = traced(tmp_path, samples, 48_000)["left"][1]
    np.testing.assert_allclose(deviation, 100 * (speed - 1), atol=1e-4)


def test_3159_45_hz_is_0_3_percent_fast(tmp_path):
    # Definition of the speed error: 3159.45 / 3150 - 1 = 0.3000 %.
    deviation = traced(tmp_path, 0.1 * modulated(3159.45, 48_000, 2.0), 48_000)["left"][1]
    assert np.mean(deviation) == pytest.approx(0.3, abs=1e-6)


def test_harmonics_rumble_and_hum_do_not_reach_the_trace(tmp_path):
    time_s = np.arange(3 * 48_000) / 48_000
    samples = 0.1 * modulated(3150, 48_000, 3.0) + 0.3 * np.sin(2 * np.pi * 9 * time_s)
    samples += 0.01 * modulated(6300, 48_000, 3.0) + 0.05 * np.sin(2 * np.pi * 50 * time_s)
    deviation = traced(tmp_path, samples, 48_000)["left"][1]
    assert np.abs(deviation).max() < 5e-4


def test_ticks_are_bridged(tmp_path):
    swings = ((0.5556, 1e-3, 0.3), (4.0, 5e-4, 1.0))
    tone = 0.1 * modulated(3150, 48_000, 6.0, swings)
    noise = 1e-4 * np.random.default_rng(2).standard_normal((len(tone), 2))
    clean = tone[:, None] + noise
    ticked = with_ticks(clean, 48_000, np.linspace(0.5, 5.5, 12), 0.5)
    time_s, deviation = traced(tmp_path, ticked, 48_000)["left"]
    assert np.abs(deviation - swing_pct(time_s, swings)).max() < 0.03
    # without the bridge a tick of that size is a deviation of several per cent
    steps = frequency_offset(np.exp(2j * np.pi * 0.01 * np.arange(400)), 4, 1e-6)
    np.testing.assert_allclose(steps, 0.01, atol=1e-12)


def test_ends_beyond_the_tone_are_cut_off(tmp_path):
    samples = np.zeros(5 * 48_000)
    samples[48_000 : 4 * 48_000] = 0.1 * modulated(3150, 48_000, 3.0)
    samples += 1e-4 * np.random.default_rng(1).standard_normal(len(samples))
    time_s, deviation = traced(tmp_path, samples, 48_000, stretch=(0.4, 4.6))["left"]
    assert time_s[0] == pytest.approx(1.0, abs=0.04)
    assert time_s[-1] == pytest.approx(4.0, abs=0.04)
    assert np.sqrt(np.mean(deviation[20:-20] ** 2)) < 0.02


def test_a_left_track_is_traced_in_the_louder_channel(tmp_path):
    tone = modulated(3150, 48_000, 2.0)
    samples = np.column_stack([0.003 * tone, 0.1 * tone])  # the file's channels are exchanged
    traces = traced(tmp_path, samples, 48_000, tone_side(modulation="left"))
    assert not len(traces["left"][0])
    assert len(traces["right"][0])


def test_a_dead_channel_has_no_trace(tmp_path):
    rng = np.random.default_rng(0)
    tone = 0.1 * modulated(3150, 48_000, 2.0)
    for dead in (np.zeros(len(tone)), 1e-4 * rng.standard_normal(len(tone))):
        traces = traced(tmp_path, np.column_stack([tone, dead]), 48_000)
        assert len(traces["left"][0])
        assert not len(traces["right"][0])


def test_silence_too_short_and_missing_give_an_empty_table(tmp_path):
    side = tone_side()
    assert not len(traced(tmp_path, np.zeros(3 * 48_000), 48_000)["left"][0])
    tone = 0.1 * modulated(3150, 48_000, 3.0)
    assert not len(traced(tmp_path, tone, 48_000, stretch=(0.5, 2.0))["left"][0])
    path = written(tmp_path, tone, 48_000)
    assert not observe_speed(path, tracks_at((0, 3), match="missing"), side, SETTINGS, "c").num_rows


def test_of_a_very_long_tone_the_middle_is_traced(tmp_path, monkeypatch):
    monkeypatch.setattr(speed_trace, "LONGEST_S", 2.0)
    time_s, _ = traced(tmp_path, 0.1 * modulated(3150, 48_000, 5.0), 48_000)["left"]
    assert time_s[0] == pytest.approx(1.5, abs=0.05)
    assert time_s[-1] == pytest.approx(3.5, abs=0.05)


def test_tracks_that_do_not_serve_speed_are_passed_over(tmp_path):
    tone = 0.1 * modulated(3150, 48_000, 3.0)
    side = tone_side(purpose="distortion")
    assert not len(traced(tmp_path, tone, 48_000, side)["left"][0])


def test_phase_of_an_analytic_signal_tells_the_same(tmp_path):
    # A second method on the same samples: scipy's Hilbert transform, smoothed to the same band.
    rng = np.random.default_rng(7)
    wander = np.cumsum(rng.standard_normal(6 * 48_000)) * 2e-8
    phase = 2 * np.pi * 3150 / 48_000 * np.cumsum(1 + wander - wander.mean())
    samples = 0.1 * np.cos(phase) + 1e-4 * rng.standard_normal(len(phase))
    time_s, deviation = traced(tmp_path, samples, 48_000)["left"]
    band = scipy.signal.firwin(2001, [2850, 3450], fs=48_000, pass_zero=False)
    angle = np.unwrap(np.angle(scipy.signal.hilbert(np.convolve(samples, band, "same"))))
    hertz = np.gradient(angle) * 48_000 / (2 * np.pi)
    second = np.interp(time_s, np.arange(len(hertz)) / 48_000, 100 * (hertz / 3150 - 1))
    slow = scipy.signal.firwin(401, 20, fs=1000)
    apart = np.convolve(deviation - second, slow, "valid")
    assert np.sqrt(np.mean(apart**2)) < 3e-4
    assert np.std(np.convolve(deviation, slow, "valid")) > 10 * np.sqrt(np.mean(apart**2))


def test_same_sound_same_table(tmp_path):
    samples = 0.1 * modulated(3150, 48_000, 2.0, ((4.0, 1e-3, 0.0),))
    path = written(tmp_path, samples, 48_000)
    one, two = (
        observe_speed(path, tracks_at((0, 2)), tone_side(), SETTINGS, "c1") for _ in range(2)
    )
    assert one.equals(two)


def test_noise_is_no_steady_tone():
    rng = np.random.default_rng(0)
    noise = np.abs(rng.standard_normal(2000) + 1j * rng.standard_normal(2000))
    assert steady_part(noise, 10) is None
    assert steady_part(np.zeros(2000), 10) is None
    assert steady_part(np.empty(0), 10) is None
    assert steady_part(np.ones(500), 10) == slice(0, 500)
