"""Noise density against closed forms, and against scipy and sox on the same samples."""

import re
import shutil
import subprocess
import tracemalloc

import numpy as np
import pytest
import scipy.signal

from grooveledger.capture import reader
from grooveledger.observe.noise_density import observe_noise
from grooveledger.schemas.observe import NOISE_DENSITY
from grooveledger.storage import tables
from made_observations import make_side
from made_sound import tracks_at, with_ticks, written

RATE = 48_000
SIDE = make_side({"kind": "silent_groove", "duration_s": 10.0})
SETTINGS = {"guard_s": 0.3, "tick_threshold_db": 13.0}
CHANNELS = ("left", "right", "sum", "difference")


def white(seconds, rate=RATE, rms=1e-3, seed=0):
    return rms * np.random.default_rng(seed).standard_normal((round(seconds * rate), 2))


def observed(tmp_path, samples, rate=RATE, subtype="FLOAT", stretch=None):
    path = written(tmp_path, samples, rate, subtype)
    stretch = stretch or (0.0, len(samples) / rate)
    rows, _ = observe_noise(path, tracks_at(stretch), SIDE, SETTINGS, "c1")
    assert rows.schema == NOISE_DENSITY.schema
    columns = tables.columns(rows)
    return {
        name: {key: values[columns["channel"] == name] for key, values in columns.items()}
        for name in CHANNELS
    }


def power_db(bands, low_hz=0.0, high_hz=np.inf):
    inside = (bands["frequency_hz"] >= low_hz) & (bands["frequency_hz"] < high_hz)
    power = bands["density_fs2_per_hz"] * bands["bandwidth_hz"]
    return 10 * np.log10(np.sum(power[inside]))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_white_noise_has_its_density_and_the_bands_tile_the_axis(tmp_path, rate):
    # Closed form: noise of rms s has the one-sided density 2 s^2 / rate.
    read = observed(tmp_path, white(6.0, rate), rate)
    for bands in read.values():
        edges = bands["frequency_hz"] - 0.5 * bands["bandwidth_hz"]
        assert edges[0] == 0.0
        np.testing.assert_allclose(
            edges[1:], (bands["frequency_hz"] + 0.5 * bands["bandwidth_hz"])[:-1], atol=1e-6
        )
        assert np.sum(bands["bandwidth_hz"]) == pytest.approx(rate / 2)
        for low, high in ((10, 300), (300, 1200), (1200, 5000), (5000, rate / 2)):
            inside = (bands["frequency_hz"] >= low) & (bands["frequency_hz"] < high)
            mean = np.average(
                bands["density_fs2_per_hz"][inside], weights=bands["bandwidth_hz"][inside]
            )
            assert 10 * np.log10(mean / (2e-6 / rate)) == pytest.approx(0.0, abs=0.35)
        assert bands["seconds"][0] == pytest.approx(5.4, abs=0.03)
        assert bands["ticks"][0] == 0


def test_lines_and_their_parts_in_sum_and_difference(tmp_path):
    # A full-scale sine has a mean square of 1/2: peaks of 0.1 and 0.02 are -23.01 and -36.99 dB.
    time_s = np.arange(8 * RATE) / RATE
    both = 0.1 * np.sin(2 * np.pi * 50 * time_s)
    apart = 0.02 * np.sin(2 * np.pi * 9 * time_s)
    read = observed(tmp_path, np.column_stack([both + apart, both - apart]))
    assert power_db(read["left"], 49, 51) == pytest.approx(-23.01, abs=0.01)
    assert power_db(read["sum"], 49, 51) == pytest.approx(-23.01 + 3.01, abs=0.01)
    assert power_db(read["difference"], 8, 10) == pytest.approx(-36.99 + 3.01, abs=0.01)
    assert power_db(read["sum"], 8, 10) < -100
    assert power_db(read["difference"], 49, 51) < -100


def test_a_line_in_the_treble(tmp_path):
    time_s = np.arange(4 * RATE) / RATE
    read = observed(tmp_path, 0.1 * np.sin(2 * np.pi * 8000 * time_s))
    assert power_db(read["left"], 7000, 9000) == pytest.approx(-23.01, abs=0.02)


def test_hum_is_resolved_from_rumble_beside_it(tmp_path):
    time_s = np.arange(12 * RATE) / RATE
    two = 0.01 * np.sin(2 * np.pi * 50 * time_s) + 0.01 * np.sin(2 * np.pi * 48 * time_s)
    left = observed(tmp_path, two)["left"]
    assert np.all(left["bandwidth_hz"][left["frequency_hz"] < 1100] <= 0.5)
    assert power_db(left, 49.2, 50.8) == pytest.approx(-43.01, abs=0.05)
    assert power_db(left, 48.8, 49.2) < -70


@pytest.mark.parametrize("ticks", [10, 48])  # 60 and 290 a minute
def test_ticks_are_counted_and_leave_no_trace(tmp_path, ticks):
    quiet = rumbling(10.0)
    times_s = 0.5 + 9.0 / ticks * np.arange(ticks)
    ticked = with_ticks(quiet, RATE, times_s, 1.0)
    without, with_ = (observed(tmp_path, samples) for samples in (quiet, ticked))
    assert with_["left"]["ticks"][0] == ticks
    for name in CHANNELS:
        for low, high in ((2, 30), (30, 300), (300, 1200), (1200, 24_000)):
            change = power_db(with_[name], low, high) - power_db(without[name], low, high)
            assert abs(change) < 0.3
    treble = [np.var(np.diff(samples, axis=0)) for samples in (ticked, quiet)]
    assert treble[0] > 5 * treble[1]


def test_a_groove_full_of_ticks_still_has_a_density(tmp_path):
    samples = with_ticks(white(3.0), RATE, np.arange(0.1, 2.9, 0.008), 0.2)
    left = observed(tmp_path, samples)["left"]
    assert np.all(np.isfinite(left["density_fs2_per_hz"]))


def test_dc_is_not_noise(tmp_path):
    with_dc = white(5.0, rms=1e-4) + np.array([0.1, -0.05])
    assert power_db(observed(tmp_path, with_dc)["left"]) == pytest.approx(-80.0, abs=0.3)


def test_neighbours_within_the_boundary_error_are_left_out(tmp_path):
    samples = white(6.0)
    loud = np.sin(2 * np.pi * 1000 * np.arange(6 * RATE) / RATE)[:, None]
    time_s = np.arange(6 * RATE) / RATE
    samples = np.where(((time_s < 1.0) | (time_s > 5.0))[:, None], loud, samples)
    left = observed(tmp_path, samples, stretch=(0.85, 5.15))["left"]
    assert power_db(left) == pytest.approx(-60.0, abs=0.3)


def test_a_dead_channel_is_dead(tmp_path):
    samples = white(3.0)
    samples[:, 1] = 0.0
    read = observed(tmp_path, samples)
    assert not read["right"]["density_fs2_per_hz"].any()
    assert power_db(read["sum"]) == pytest.approx(power_db(read["left"]) - 3.01, abs=0.01)


def test_silence_has_none_and_too_short_has_no_rows(tmp_path):
    read = observed(tmp_path, np.zeros((3 * RATE, 2)))
    assert not read["left"]["density_fs2_per_hz"].any()
    assert not len(observed(tmp_path, white(1.2))["left"]["ticks"])
    path = written(tmp_path, white(3.0), RATE)
    missing = tracks_at((0, 3), match="missing")
    for rows in observe_noise(path, missing, SIDE, SETTINGS, "c1"):
        assert not rows.num_rows


def test_exchanged_channels_exchange_and_double_gain_adds_6_db(tmp_path):
    samples = white(3.0) * [1.0, 0.3]
    plain = observed(tmp_path, samples)
    exchanged = observed(tmp_path, 2.0 * samples[:, ::-1])
    for name, other in (("left", "right"), ("right", "left"), ("sum", "sum")):
        np.testing.assert_allclose(
            exchanged[name]["density_fs2_per_hz"],
            4.0 * plain[other]["density_fs2_per_hz"],
            rtol=1e-4,
        )


def test_same_sound_same_table(tmp_path):
    path = written(tmp_path, with_ticks(white(3.0), RATE, np.array([1.0]), 0.1), RATE)
    one, two = (observe_noise(path, tracks_at((0, 3)), SIDE, SETTINGS, "c1") for _ in range(2))
    assert all(a.equals(b) for a, b in zip(one, two, strict=True))


def rumbling(seconds):
    """Noise with a hump at 10 Hz 30 dB above it, and a treble that falls."""
    noise = white(seconds, seed=3)
    b, a = scipy.signal.iirpeak(10, 2, fs=RATE)
    hump = 30 * scipy.signal.lfilter(b, a, noise, axis=0)
    return scipy.signal.lfilter([1, 0.7], 1, noise, axis=0) + hump


def test_scipys_welch_tells_the_same(tmp_path):
    # A second method on the same samples: Welch's, within 0.1 dB in octaves (0.3 dB for the one of
    # the hump, of which ten seconds hold few cycles).
    samples = rumbling(12.0)
    left = observed(tmp_path, samples)["left"]
    inside = samples[round(0.3 * RATE) : -round(0.3 * RATE), 0]
    hz, density = scipy.signal.welch(inside, RATE, nperseg=4 * RATE, noverlap=3 * RATE)
    for low in (8, 16, 32, 64, 125, 250, 500, 1300, 2600, 5200, 10_400):
        band = (hz >= low) & (hz < 2 * low)
        second = 10 * np.log10(np.sum(density[band]) * (hz[1] - hz[0]))
        limit = 0.35 if low < 16 else 0.2
        assert power_db(left, low, 2 * low) == pytest.approx(second, abs=limit)


@pytest.mark.skipif(shutil.which("sox") is None, reason="sox is not installed")
@pytest.mark.parametrize(("low_hz", "high_hz"), [(200, 1000), (2000, 8000)])
def test_sox_tells_the_same(tmp_path, low_hz, high_hz):
    # A second program on the same file: rms of a band after sox's sinc filter, within 0.2 dB.
    path = written(tmp_path, rumbling(10.0), RATE, "PCM_24")
    rows = tables.columns(observe_noise(path, tracks_at((0, 10)), SIDE, SETTINGS, "c1")[0])
    left = {key: values[rows["channel"] == "left"] for key, values in rows.items()}
    command = ["sox", str(path), "-n", "remix", "1", "trim", "0.3", "9.4"]
    command += ["sinc", "-t", "20", f"{low_hz}-{high_hz}", "stats"]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    rms_db = float(re.search(r"RMS lev dB\s+(-?[\d.]+)", told)[1])
    assert power_db(left, low_hz, high_hz) == pytest.approx(rms_db, abs=0.2)


def test_memory_does_not_grow_with_the_groove(tmp_path, monkeypatch):
    monkeypatch.setattr(reader, "BLOCK_FRAMES", 1 << 15)
    peaks = []
    for seconds in (4.0, 24.0):
        path = written(tmp_path, white(seconds), RATE)
        tracemalloc.start()
        observe_noise(path, tracks_at((0, seconds)), SIDE, SETTINGS, "c1")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # twenty seconds more are 7.7 MB of sound; what is kept of them is a signal of 4 kHz
    assert peaks[1] - peaks[0] < 4e6
