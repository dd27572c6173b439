"""The sound of a part of a track: held or stored, whole or at a lower rate."""

import numpy as np
import pytest
import soundfile as sf
from hypothesis import given, settings
from hypothesis import strategies as st

from grooveledger.capture import reader
from grooveledger.capture.stored_samples import StoredSamples
from grooveledger.faults import CaptureFault
from grooveledger.observe import sound
from grooveledger.observe.order_tracking import PhasePath, demodulate
from grooveledger.observe.sound import Sound, read_sound
from made_sound import written

RATE = 96_000


def noise(frames: int) -> np.ndarray:
    return np.random.default_rng(0).standard_normal((frames, 2)).astype(np.float32)


@settings(deadline=None, max_examples=50)
@given(st.integers(0, 999), st.integers(0, 1200), st.integers(0, 500), st.integers(0, 2))
def test_stored_samples_slice_as_an_array_does(start, stop, inner, channel):
    frames = noise(1000)
    stored = StoredSamples.of(np.array_split(frames, 7))
    slices = (slice(channel, channel + 1), slice(start, stop)), (slice(0, 2), slice(inner, None))
    array = frames.T
    for key in slices:
        stored, array = stored[key], array[key]
        assert stored.shape == array.shape
        np.testing.assert_array_equal(np.asarray(stored), array)


def test_a_long_part_is_stored_and_is_the_same_sound(tmp_path, monkeypatch):
    path = written(tmp_path, 0.1 * noise(2 * RATE), RATE)
    with reader.open_capture(path) as file:
        held = read_sound(file, 0.5, 1.5)
        monkeypatch.setattr(sound, "HELD_FRAMES", 1000)
        stored = read_sound(file, 0.5, 1.5)
    assert isinstance(held.samples, np.ndarray)
    assert isinstance(stored.samples, StoredSamples)
    np.testing.assert_array_equal(np.asarray(stored.samples), held.samples)
    low = [one.thinned(0.4, 0.9, 5000.0, 0.05) for one in (held, stored)]
    np.testing.assert_array_equal(low[0].samples, low[1].samples)


def test_a_part_beyond_the_end_is_a_fault_of_the_capture(tmp_path):
    path = written(tmp_path, noise(1000), RATE)
    with sf.SoundFile(path) as file, pytest.raises(CaptureFault, match=r"nothing can be read at 5"):
        read_sound(file, 5.0, 6.0)


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
@pytest.mark.parametrize("frequency_hz", [20.0, 1000.0, 9000.0])
def test_at_a_lower_rate_a_tone_is_where_and_what_it_was(frequency_hz, rate):
    time_s = np.arange(2 * rate) / rate
    turns = frequency_hz * time_s + 0.15
    tone = np.cos(2.0 * np.pi * turns).astype(np.float32)
    whole = Sound(np.stack([tone, 0.5 * tone]), rate, 3.0, 0.3, 1.7)
    part = whole.thinned(0.5, 1.5, 1.1 * frequency_hz + 50.0, 0.4)
    assert part.start_s + part.begin_s == pytest.approx(3.5, abs=1e-9)
    assert part.start_s + part.end_s == pytest.approx(4.5, abs=1e-9)
    assert part.sample_rate_hz <= rate
    spacing = 1e-3 * rate
    path = PhasePath(spacing, 0.15 + frequency_hz * np.arange(2001) * 1e-3)
    first = int(part.begin_s * part.sample_rate_hz)
    hop = max(1, round(0.05 * part.sample_rate_hz))
    z = demodulate(part.samples, [whole.path_on(part, path)], [(1,)], first, hop, 10)
    # Flat to 1e-5 re 1, which is 0.0001 dB; the phase is that of the samples kept.
    assert np.abs(z[:, 0] - [1.0, 0.5]).max() < 3e-5
    centre = whole.position_of(part, np.array([float(first)]))
    assert centre[0] / rate == pytest.approx(0.5, abs=1.0 / part.sample_rate_hz)


def test_what_would_fold_into_the_band_is_a_hundred_db_down():
    time_s = np.arange(RATE) / RATE
    # 15.2 kHz would come down to 0.8 kHz at 16 kHz, the rate that a band of 5.3 kHz asks for.
    high = np.cos(2.0 * np.pi * 15_200.0 * time_s).astype(np.float32)
    part = Sound(np.stack([high, high]), RATE, 0.0, 0.2, 0.8).thinned(0.2, 0.8, 5_300.0, 0.1)
    assert part.sample_rate_hz == RATE / 6
    assert np.abs(part.samples).max() < 1e-5
