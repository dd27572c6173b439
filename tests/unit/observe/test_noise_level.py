"""Weighted levels of a groove against closed forms and the burst readings of ITU-R BS.468-4."""

import numpy as np
import pytest

from grooveledger.observe.noise_density import observe_noise
from grooveledger.physics.equalisation import replay_response
from grooveledger.physics.quasi_peak import BURST_READINGS_PCT, REPEATED_BURST_READINGS_PCT
from grooveledger.physics.weighting import a_weighting_db, weighting_468_db
from made_observations import make_side
from made_sound import tracks_at, with_ticks, written

SIDE = make_side({"kind": "silent_groove", "duration_s": 10.0})


def levels(tmp_path, samples, rate=48_000, threshold_db=13.0):
    """Rows of the observation by channel and equalisation."""
    path = written(tmp_path, samples, rate)
    settings = {"guard_s": 0.0, "tick_threshold_db": threshold_db}
    _, rows = observe_noise(path, tracks_at((0.0, len(samples) / rate)), SIDE, settings, "c1")
    return {(row["channel"], row["equalisation"]): row for row in rows.to_pylist()}


def sine(hz, seconds, rate, peak=0.1):
    return peak * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000, 192_000])
@pytest.mark.parametrize("hz", [100.0, 1000.0, 6300.0, 14_000.0])
def test_a_steady_tone_reads_its_weighted_rms(tmp_path, rate, hz):
    wave = sine(hz, 4.0, rate)
    read = levels(tmp_path, np.column_stack([wave, 0.5 * wave]), rate)
    rms = 0.1 / np.sqrt(2)
    shares = {"left": 1.0, "right": 0.5, "sum": 1.5 / np.sqrt(2), "difference": 0.5 / np.sqrt(2)}
    for (channel, curve), row in read.items():
        size = shares[channel] * rms * float(np.abs(replay_response(hz, curve)))
        a, weighted = (size * 10 ** (w(hz) / 20) for w in (a_weighting_db, weighting_468_db))
        assert row["a_fs"] == pytest.approx(a, rel=2e-3)
        assert row["weighted_468_fs"] == pytest.approx(weighted, rel=2e-3)
        assert row["quasi_peak_468_fs"] == pytest.approx(weighted, rel=0.02)
        assert row["quasi_peak_468_with_ticks_fs"] == row["quasi_peak_468_fs"]


@pytest.mark.parametrize("rate", [44_100, 96_000])
@pytest.mark.parametrize(
    ("length_ms", "a_second", "limits"),
    [
        *((ms, 0.0, limits) for ms, *limits in BURST_READINGS_PCT),
        *((5.0, a_second, limits) for a_second, *limits in REPEATED_BURST_READINGS_PCT),
    ],
)
def test_bursts_through_the_whole_meter(tmp_path, rate, length_ms, a_second, limits):
    # ITU-R BS.468-4, tables 2 and 3 (from memory), weighting network included.
    _, low, high = limits
    time_s = np.arange(4 * rate) / rate
    since_s = np.mod(time_s, 1.0 / a_second) if a_second else time_s - 2.0
    inside = (since_s >= 0.0) & (since_s < length_ms * 1e-3)
    wave = np.where(inside, 0.1 * np.sin(2 * np.pi * 5000.0 * since_s), 0.0)
    row = levels(tmp_path, np.column_stack([wave, wave]), rate)["left", "flat"]
    steady = 0.1 / np.sqrt(2) * 10 ** (weighting_468_db(5000.0) / 20)
    reading = 100 * row["quasi_peak_468_highest_fs"] / steady
    assert low < reading < high


@pytest.mark.parametrize("seconds", [1.3, 12.0])
def test_ticks_are_in_one_reading_and_bridged_in_the_other(tmp_path, seconds):
    rate = 48_000
    noise = 1e-3 * np.random.default_rng(5).standard_normal((round(seconds * rate), 2))
    clean = levels(tmp_path, noise)["left", "flat"]
    ticks_s = np.arange(0.9, seconds - 0.1, 0.5)
    spoilt = levels(tmp_path, with_ticks(noise, rate, ticks_s, 0.5))["left", "flat"]
    for name in ("a_fs", "weighted_468_fs", "quasi_peak_468_fs"):
        assert spoilt[name] == pytest.approx(clean[name], rel=0.02)
    assert spoilt["a_with_ticks_fs"] > 1.5 * clean["a_with_ticks_fs"]
    assert spoilt["quasi_peak_468_with_ticks_fs"] > 1.5 * clean["quasi_peak_468_with_ticks_fs"]
    assert spoilt["quasi_peak_468_highest_fs"] > spoilt["quasi_peak_468_with_ticks_fs"]
    assert clean["a_fs"] == pytest.approx(clean["a_with_ticks_fs"], rel=1e-9)


def test_the_quasi_peak_reading_of_noise_lies_above_its_rms(tmp_path):
    # About 4 dB for white noise (from memory).
    noise = 1e-3 * np.random.default_rng(6).standard_normal((480_000, 2))
    row = levels(tmp_path, noise)["left", "flat"]
    above_db = 20 * np.log10(row["quasi_peak_468_fs"] / row["weighted_468_fs"])
    assert 3.5 < above_db < 4.5


def test_levels_do_not_depend_on_how_the_sound_is_read(tmp_path, monkeypatch):
    samples = 1e-3 * np.random.default_rng(7).standard_normal((200_000, 2))
    one = levels(tmp_path, samples)
    monkeypatch.setattr("grooveledger.capture.reader.BLOCK_FRAMES", 30_000)
    other = levels(tmp_path, samples)
    for key, row in one.items():
        for name, value in row.items():
            expected = pytest.approx(value, rel=1e-3) if isinstance(value, float) else value
            assert other[key][name] == expected
