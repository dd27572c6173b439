"""Reading captures: blocks, stretches, and what a file that can't be measured is told."""

import numpy as np
import pytest
import soundfile as sf

from grooveledger.capture import reader
from grooveledger.faults import CaptureFault


def sound(frames=5000, channels=2):
    return np.random.default_rng(0).uniform(-0.5, 0.5, (frames, channels))


def written(path, samples, rate=48_000, **facts):
    sf.write(path, samples, rate, **facts)
    return path


def test_blocks_are_the_file(tmp_path):
    path = written(tmp_path / "c.wav", sound(), subtype="FLOAT")
    with reader.open_capture(path) as file:
        whole = np.concatenate(list(reader.blocks(file, frames=1024)))
        part = np.concatenate(list(reader.blocks(file, 100, 2300, frames=999)))
    np.testing.assert_array_equal(whole, sound().astype(np.float32))
    np.testing.assert_array_equal(part, whole[100:2300])
    assert whole.dtype == np.float32


def test_24_bits_are_kept_exactly(tmp_path):
    exact = np.round(sound() * 2**23) / 2**23
    path = written(tmp_path / "c.flac", exact, subtype="PCM_24")
    with reader.open_capture(path) as file:
        np.testing.assert_array_equal(np.concatenate(list(reader.blocks(file))), exact)


def cut(path, part):
    """The first part of a file's bytes."""
    content = path.read_bytes()
    path.write_bytes(content[: int(part * len(content))])


@pytest.mark.parametrize("part", [0.1, 0.5, 0.9])
def test_a_file_that_breaks_off_is_whole_up_to_there(tmp_path, part):
    """However it is asked for, and also after what is beyond was asked for."""
    rate, seconds = 48_000, 4
    samples = (sound(seconds * rate) * 2**15).astype(np.int16)
    path = written(tmp_path / "c.flac", samples, subtype="PCM_16")
    cut(path, part)
    with reader.open_capture(path) as file:
        assert file.frames == reader.promised_frames(file) == seconds * rate
        whole = np.concatenate(list(reader.blocks(file)))
        assert len(whole) == pytest.approx(part * seconds * rate, abs=8192)
        expected = samples / np.float32(2**15)
        np.testing.assert_array_equal(whole, expected[: len(whole)])
        end = len(whole)
        for start, stop in ((-900, 900), (-9000, -20), (-5000, 50_000), (-7000, 0)):
            parts = reader.blocks(file, end + start, end + stop, frames=4000)
            part = np.concatenate(list(parts))
            assert min(stop, 0) - start <= len(part) <= stop - start
            np.testing.assert_array_equal(part, expected[end + start :][: len(part)])
        with pytest.raises(CaptureFault, match="decoding stops"):
            list(reader.blocks(file, end + 2 * reader.PIECE_FRAMES, end + 8000))
        part = np.concatenate(list(reader.blocks(file, 100, 2300)))
        np.testing.assert_array_equal(part, expected[100:2300])


@pytest.mark.parametrize("ending", ["wav", "rf64", "w64", "aiff", "flac"])
def test_the_header_tells_what_a_cut_file_lacks(tmp_path, ending):
    path = written(tmp_path / f"c.{ending}", sound(), subtype="PCM_24")
    for part in (1.0, 0.6):
        cut(path, part)
        with reader.open_capture(path) as file:
            assert reader.promised_frames(file) == pytest.approx(5000, abs=1)


@pytest.mark.parametrize("length", [0x7FFFF000, 0xFFFFFFFF])
def test_the_length_of_a_stream_promises_nothing(tmp_path, length):
    path = written(tmp_path / "c.wav", sound(), subtype="PCM_24")
    content = bytearray(path.read_bytes())
    data = content.index(b"data") + 4
    content[4:8] = content[data : data + 4] = length.to_bytes(4, "little")
    path.write_bytes(content)
    with reader.open_capture(path) as file:
        assert reader.promised_frames(file) == 5000


def test_a_header_may_leave_the_length_open(tmp_path):
    """As that of a FLAC stream does: RFC 9639, section 8.2, total samples of 0."""
    samples = (sound(100_000) * 2**15).astype(np.int16)
    path = written(tmp_path / "c.flac", samples, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    content[21] &= 0xF0
    content[22:26] = bytes(4)
    path.write_bytes(content)
    with reader.open_capture(path) as file:
        assert reader.promised_frames(file) is None
        whole = np.concatenate(list(reader.blocks(file)))
    assert len(whole) > 100_000 - reader.PIECE_FRAMES
    np.testing.assert_array_equal(whole, samples[: len(whole)] / np.float32(2**15))


def test_a_headerless_file_is_told(tmp_path):
    path = tmp_path / "c.raw"
    path.write_bytes(bytes(10_000))
    with pytest.raises(CaptureFault, match="can't be read as audio"), reader.open_capture(path):
        pass


@pytest.mark.parametrize(("make", "cause"), [
    (lambda path: path, "not found"),
    (lambda path: path.write_bytes(b""), "0 bytes"),
    (lambda path: path.write_bytes(b"not a sound at all" * 99), "can't be read as audio"),
    (lambda path: path.mkdir(), "not found"),
    (lambda path: written(path, sound(), format="MP3"), "is MP3 of MPEG_LAYER_III, which loses"),
    (lambda path: written(path, sound(), format="OGG"), "is OGG of VORBIS"),
    (lambda path: written(path, sound(), subtype="PCM_U8"), "is WAV of PCM_U8"),
    (lambda path: written(path, sound(), format="CAF", subtype="ALAC_24"), "is CAF of ALAC_24"),
    (lambda path: written(path, sound(channels=1)), "1 channel"),
    (lambda path: written(path, sound(channels=4)), "4 channel"),
    (lambda path: written(path, sound(), rate=8_000), "8000 Hz"),
    (lambda path: written(path, sound(), rate=384_000), "384000 Hz"),
])  # fmt: skip
def test_what_cannot_be_measured_says_why_and_what_to_do(make, cause, tmp_path):
    path = tmp_path / "c.wav"
    make(path)
    with pytest.raises(CaptureFault, match=cause) as told, reader.open_capture(path):
        pass
    assert ":" in str(told.value)
    assert str(tmp_path) not in str(told.value).partition("(")[0]
