"""Sound that is kept for a second reader."""

import numpy as np
import pytest
import soundfile as sf

from grooveledger.capture import kept_sound, reader

RATE_HZ = 48_000


@pytest.fixture
def recording(tmp_path):
    """Two seconds of noise."""
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, (2 * RATE_HZ, 2))
    path = tmp_path / "noise.flac"
    sf.write(path, noise, RATE_HZ, subtype="PCM_24")
    return path


def read(path, **where):
    with reader.open_capture(path) as file:
        return np.concatenate(list(reader.blocks(file, **where)))


@pytest.fixture
def decoded(monkeypatch):
    """Frames that were decoded, by their first."""
    seen = []
    original = reader._decoded

    def decode(file, at, count):
        seen.append((at, count))
        return original(file, at, count)

    monkeypatch.setattr(reader, "_decoded", decode)
    return seen


def test_what_was_read_is_not_decoded_again(recording, decoded):
    plain = read(recording, start=1000, stop=50_000)
    with kept_sound.keeping():
        read(recording, frames=7000)
        decoded.clear()
        again = read(recording, start=1000, stop=50_000, frames=9000)
    assert not decoded
    assert again.tobytes() == plain.tobytes()
    assert kept_sound.kept is None


def test_there_is_no_more_than_there_is_room_for(recording, decoded, monkeypatch):
    monkeypatch.setattr(kept_sound, "KEPT_BYTES", 30_000 * 6)
    plain = read(recording)
    with kept_sound.keeping():
        read(recording, frames=10_000)
        decoded.clear()
        again = read(recording, frames=10_000)
    assert decoded[0] == (30_000, 10_000)
    assert again.tobytes() == plain.tobytes()


@pytest.mark.parametrize(
    ("subtype", "frame_bytes"), [("PCM_16", 4), ("PCM_24", 6), ("PCM_32", 8), ("FLOAT", 8)]
)
def test_what_is_kept_in_few_bytes_is_what_was_decoded(
    tmp_path, decoded, monkeypatch, subtype, frame_bytes
):
    noise = np.random.default_rng(2).uniform(-1.0, 1.0, (1000, 2))
    noise[:3] = [[-1.0, 1.0], [0.0, -(2.0**-23)], [2.0**-23, 1.0 - 2.0**-23]]
    path = tmp_path / "noise.wav"
    sf.write(path, noise, RATE_HZ, subtype=subtype)
    plain = read(path)
    monkeypatch.setattr(kept_sound, "KEPT_BYTES", 1000 * frame_bytes - 1)
    with kept_sound.keeping():
        read(path, frames=500)
        decoded.clear()
        again = read(path, frames=400)
    assert again.tobytes() == plain.tobytes()
    # Half of it fits: a byte more, and all of it would.
    assert decoded == [(400, 400), (800, 200)]


def test_sound_is_kept_as_decoded_while_that_leaves_room_for_the_rest(
    tmp_path, decoded, monkeypatch
):
    path = tmp_path / "noise.wav"
    noise = np.random.default_rng(3).uniform(-1.0, 1.0, (1500, 2))
    sf.write(path, noise, RATE_HZ, subtype="PCM_24")
    plain = read(path)
    monkeypatch.setattr(kept_sound, "KEPT_BYTES", 500 * 8 + 1000 * 6)
    with kept_sound.keeping():
        read(path, frames=500)
        (blocks,) = kept_sound.kept._blocks.values()
        assert [block.nbytes for block in blocks] == [4000, 3000, 3000]
        decoded.clear()
        again = read(path, start=100, frames=700)
    assert not decoded
    assert again.tobytes() == plain[100:].tobytes()


def test_of_a_long_capture_nothing_is_kept(recording, decoded, monkeypatch):
    monkeypatch.setattr(kept_sound, "LONGEST_FRAMES", RATE_HZ)
    with kept_sound.keeping():
        read(recording, stop=RATE_HZ)
        read(recording, stop=RATE_HZ)
    assert len(decoded) == 2


def test_only_stretches_that_are_wanted_are_kept(recording, decoded):
    with kept_sound.keeping([(0.0, 0.4)]):
        read(recording, frames=RATE_HZ // 2)
        decoded.clear()
        read(recording, stop=RATE_HZ // 2)
        assert not decoded
        read(recording, start=RATE_HZ, stop=RATE_HZ + 100)
        assert decoded


def test_what_a_caller_keeps_goes_on(recording, decoded):
    with kept_sound.keeping():
        read(recording)
        with kept_sound.keeping([]):
            pass
        decoded.clear()
        read(recording)
    assert not decoded
