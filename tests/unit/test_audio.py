"""Reading captures: blocks, stretches, and what a file that can't be measured is told."""

import numpy as np
import pytest
import soundfile as sf

from grooveledger import audio
from grooveledger.faults import CaptureFault


def sound(frames=5000, channels=2):
    return np.random.default_rng(0).uniform(-0.5, 0.5, (frames, channels))


def written(path, samples, rate=48_000, **facts):
    sf.write(path, samples, rate, **facts)
    return path


def test_blocks_are_the_file(tmp_path):
    path = written(tmp_path / "c.wav", sound(), subtype="FLOAT")
    with audio.open_capture(path) as file:
        whole = np.concatenate(list(audio.blocks(file, frames=1024)))
        part = np.concatenate(list(audio.blocks(file, 100, 2300, frames=999)))
    np.testing.assert_array_equal(whole, sound().astype(np.float32))
    np.testing.assert_array_equal(part, whole[100:2300])
    assert whole.dtype == np.float32


def test_24_bits_are_kept_exactly(tmp_path):
    exact = np.round(sound() * 2**23) / 2**23
    path = written(tmp_path / "c.flac", exact, subtype="PCM_24")
    with audio.open_capture(path) as file:
        np.testing.assert_array_equal(np.concatenate(list(audio.blocks(file))), exact)


@pytest.mark.parametrize(("make", "cause"), [
    (lambda path: path, "no file"),
    (lambda path: path.write_bytes(b""), "0 bytes"),
    (lambda path: path.write_bytes(b"not a sound at all" * 99), "can't be read as audio"),
    (lambda path: path.mkdir(), "no file"),
    (lambda path: written(path, sound(channels=1)), "1 channel"),
    (lambda path: written(path, sound(channels=4)), "4 channel"),
    (lambda path: written(path, sound(), rate=8_000), "8000 Hz"),
    (lambda path: written(path, sound(), rate=384_000), "384000 Hz"),
])  # fmt: skip
def test_what_cannot_be_measured_says_why_and_what_to_do(make, cause, tmp_path):
    path = tmp_path / "c.wav"
    make(path)
    with pytest.raises(CaptureFault, match=cause) as told, audio.open_capture(path):
        pass
    assert ":" in str(told.value)
    assert str(tmp_path) not in str(told.value).partition("(")[0]
