"""Readings of a tone under noise: what is limited, and how well the floor is known.

The truth is the density of white noise: an amplitude's noise power is 2 s^2 B / (rate / 2), the
mean square of a band of width B times two for a peak amplitude (closed form).
"""

import numpy as np
import pytest
import soundfile as sf

from grooveledger.observe.orders import observe_orders
from grooveledger.plan import Side, Track
from grooveledger.simulate.modulation import Law
from grooveledger.storage import tables
from made_sound import tracks_at

RATE = 48_000
SETTINGS = {
    "order_max": 5, "points_per_octave": 24, "window_cycles": 8.0, "window_shortest_s": 0.03,
    "spectrum_top_hz": 20_000.0,
}  # fmt: skip
NOISE = 0.02


def read(folder, track, sound, begin_s, end_s):
    path = folder / "capture.wav"
    sf.write(path, sound.astype(np.float32), RATE, subtype="FLOAT")
    side = Side("r", "a", 100.0 / 3.0, 2.0, (track,))
    orders, _ = observe_orders(path, tracks_at((begin_s, end_s)), side, SETTINGS, "c1")
    return tables.columns(orders)


def fundamental(orders, channel="left"):
    return line(orders, 1, channel)


def line(orders, order, channel):
    chosen = (orders["order"] == order) & (orders["channel"] == channel)
    return {name: column[chosen] for name, column in orders.items()}


def true_floor(rows):
    return NOISE * np.sqrt(4.0 * rows["bandwidth_hz"] / RATE)


def swept_under_the_noise(seed):
    """A sweep that falls by 24 dB an octave above 4 kHz, and its amplitude at a frequency."""
    law = Law(1000.0, 20_000.0, 15.0)
    t = np.arange(19 * RATE) / RATE - 2.0

    def size(hz):
        return 1.0 / (1.0 + (hz / 4000.0) ** 8)

    inside = (t >= 0) & (t < 15.0)
    at_s = np.clip(t, 0.0, 15.0)
    tone = np.where(inside, size(law.hz(at_s)) * np.cos(2 * np.pi * law.cycles(at_s)), 0.0)
    noise = NOISE * np.random.default_rng(seed).standard_normal((len(t), 2))
    return np.column_stack([tone, 0.0 * tone]) + noise, size


def test_a_sweep_that_sinks_into_the_noise_is_limited_there(tmp_path):
    track = Track(1, "sweep", 15.0, "left", start_hz=1000.0, stop_hz=20_000.0)
    off_db = []
    for seed in (3, 4, 5, 6):
        sound, size = swept_under_the_noise(seed)
        rows = fundamental(read(tmp_path, track, sound, 2.0, 17.0))
        snr = size(rows["played_hz"]) / true_floor(rows)
        # One reading in fifty of noise alone passes twice its rms.
        assert np.mean(rows["limited"][snr < 1.0]) > 0.9
        assert np.count_nonzero(snr < 1.0) > 10
        assert not rows["limited"][snr > 10.0].any()
        # What is not limited is right within what its noise allows.
        clear = ~rows["limited"]
        true = size(rows["played_hz"][clear])
        apart = np.abs(rows["amplitude_fs"][clear] - true)
        assert (apart < 0.03 * true + 4.0 * rows["floor_fs"][clear]).all()
        order = np.argsort(rows["played_hz"])
        off = 20 * np.log10(rows["floor_fs"] / true_floor(rows))[order]
        off_db.append([np.median(part) for part in np.array_split(off, 3)])
    assert np.mean(off_db, axis=0) == pytest.approx([0.0] * 3, abs=0.6)
    assert np.abs(off_db).max() < 1.5


@pytest.mark.parametrize(("order", "channel"), [(1, "right"), (2, "left")])
def test_crosstalk_and_harmonics_that_sink_into_the_noise_are_limited_there(
    order, channel, tmp_path
):
    """The driven channel stays loud: what sinks is read along its phase."""
    law = Law(1000.0, 20_000.0 / order, 15.0)
    track = Track(1, "sweep", 15.0, "left", start_hz=law.start_hz, stop_hz=law.stop_hz)
    t = np.arange(19 * RATE) / RATE - 2.0
    at_s = np.clip(t, 0.0, 15.0)
    cycles = law.cycles(at_s)

    def size(hz):
        return 0.3 / (1.0 + (hz / 3000.0) ** 8)

    driven = np.where((t >= 0) & (t < 15.0), np.cos(2 * np.pi * cycles), 0.0)
    faint = np.where(driven != 0.0, size(law.hz(at_s)) * np.cos(2 * np.pi * order * cycles), 0.0)
    channels = [driven, faint] if channel == "right" else [driven + faint, 0.0 * faint]
    off_db = []
    for seed in (3, 4, 5):
        noise = NOISE * np.random.default_rng(seed).standard_normal((len(t), 2))
        orders = read(tmp_path, track, np.column_stack(channels) + noise, 2.0, 17.0)
        rows = line(orders, order, channel)
        snr = size(rows["played_hz"]) / true_floor(rows)
        assert np.count_nonzero(snr < 1.0) > 10
        assert np.mean(rows["limited"][snr < 1.0]) > 0.9
        assert not rows["limited"][snr > 10.0].any()
        place = np.argsort(rows["played_hz"])
        off = 20 * np.log10(rows["floor_fs"] / true_floor(rows))[place]
        off_db.append([np.median(part) for part in np.array_split(off, 3)])
    # The harmonic's floor is 0.7 dB high in the lowest third, unexplained; 1 dB is what is asked.
    assert np.mean(off_db, axis=0) == pytest.approx([0.0] * 3, abs=1.0)
    assert np.abs(off_db).max() < 1.5


def test_the_stated_noise_is_the_scatter_of_repeats(tmp_path):
    """Of a fundamental, a crosstalk and a harmonic."""
    track = Track(1, "tone", 3.0, "left", frequency_hz=1000.0)
    t = np.arange(4 * RATE) / RATE
    inside = (t > 0.5) & (t < 3.5)
    turns = 2.0 * np.pi * 1000.0 * t
    driven = inside * (0.1 * np.cos(turns) + 0.01 * np.cos(2.0 * turns))
    sound = np.column_stack([driven, inside * 0.01 * np.cos(turns)])
    lines = {(1, "left"): 0.1, (1, "right"): 0.01, (2, "left"): 0.01}
    found = {one: [] for one in lines}
    for seed in range(60):
        noise = NOISE * np.random.default_rng(seed).standard_normal((len(t), 2))
        orders = read(tmp_path, track, sound + noise, 0.5, 3.5)
        for one, values in found.items():
            rows = line(orders, *one)
            values.append((rows["amplitude_fs"][0], rows["floor_fs"][0]))
    for one, size in lines.items():
        readings, floors = np.array(found[one]).T
        # The floor is of both quadratures; an amplitude clear of it moves with one.
        stated = np.sqrt(np.mean(np.square(floors)) / 2.0)
        assert np.std(readings) == pytest.approx(stated, rel=0.2)
        assert np.mean(readings) == pytest.approx(size, abs=4.0 * stated / np.sqrt(60))
