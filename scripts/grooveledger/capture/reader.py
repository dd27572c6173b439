"""Reading captures in blocks: two channels, float32, full scale 1."""

import contextlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile as sf

from grooveledger.capture import kept_sound
from grooveledger.faults import CaptureFault

#: Rates a capture may have, Hz: below, the treble that is asked for is not in the file.
SAMPLE_RATE_MIN_HZ, SAMPLE_RATE_MAX_HZ = 44_100, 192_000
#: Formats and sample types of libsndfile that keep what was recorded, with 16 bits or more. Not
#: ALAC: written and read again with libsndfile 1.2.2, 20 bits and more come out as other sound.
FORMATS = frozenset({"WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC"})
SAMPLE_BYTES = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
#: Frames a block: 2 MB of float32 stereo, which stays in cache and amortises the call.
BLOCK_FRAMES = 1 << 18
#: Frames a read near the place where decoding stops.
PIECE_FRAMES = 1 << 10
#: libsndfile's length of a FLAC file whose header leaves it open, as that of a stream does.
OPEN_FRAMES = (1 << 63) - 1
#: Lengths from here on stand in RIFF headers of recorders that stream (common practice: the
#: greatest number of 31 or 32 bits, or a little less).
STREAMED_BYTES = 0x7FFF0000
#: No header that speaks of a longer file is believed.
LONGEST_BYTES = 1 << 40


@contextmanager
def open_capture(path: str | Path) -> Iterator[sf.SoundFile]:
    """Open a capture for reading.

    Raises
    ------
    CaptureFault
        The file is not there, is no audio, or has a rate or channel count that can't be measured.
    """
    path = Path(path)
    if not path.is_file():
        raise CaptureFault(
            f"{path.name} not found: put it in captures_dir, or correct `file` in captures.tsv"
        )
    if path.stat().st_size == 0:
        raise CaptureFault(f"{path.name} is empty (0 bytes): copy it again from the recorder")
    try:
        file = sf.SoundFile(path)
    except (sf.SoundFileError, RuntimeError, TypeError) as error:  # the last for headerless files
        raise CaptureFault(
            f"{path.name} can't be read as audio ({_first_line(error)}): copy or convert it again"
        ) from error
    with file:
        if file.format not in FORMATS or file.subtype not in SAMPLE_BYTES:
            raise CaptureFault(
                f"{path.name} is {file.format} of {file.subtype}, which loses sound or can't be "
                "relied on: record to FLAC or to plain WAV, AIFF or CAF, with 16 bits or more"
            )
        if file.channels != 2:
            raise CaptureFault(
                f"{path.name} has {file.channels} channel(s): record both channels into one "
                "two-channel file"
            )
        if not SAMPLE_RATE_MIN_HZ <= file.samplerate <= SAMPLE_RATE_MAX_HZ:
            raise CaptureFault(
                f"{path.name} is sampled at {file.samplerate} Hz: record at "
                f"{SAMPLE_RATE_MIN_HZ} to {SAMPLE_RATE_MAX_HZ} Hz"
            )
        yield file


def blocks(
    file: sf.SoundFile, start: int = 0, stop: int | None = None, frames: int = BLOCK_FRAMES
) -> Iterator[np.ndarray]:
    """Yield a stretch of an open capture block by block.

    A file that can't be decoded to the end its header promises ends where decoding does.

    Parameters
    ----------
    start, stop : int
        First frame and the one after the last; the file's end when None.
    frames : int
        Frames a block; the last may be shorter.

    Yields
    ------
    numpy.ndarray
        float32, shape (frames, 2).

    Raises
    ------
    CaptureFault
        The stretch holds frames, and none of them can be decoded.
    """
    stop = file.frames if stop is None else min(stop, file.frames)
    begin = at = max(start, 0)
    keeper = kept_sound.keeper(file.frames)
    while at < stop:
        wanted = min(frames, stop - at)
        kept, fault = keeper.get(file.name, at, wanted) if keeper else None, ""
        if kept is not None:
            block = kept.T
        else:
            block, fault = _decoded(file, at, wanted)
            if keeper and len(block) == wanted:
                keeper.keep(file, at, block)
        at += len(block)
        if at == begin:
            raise CaptureFault(
                f"decoding stops at {at / file.samplerate:.1f} s ({fault or 'the file ends'}): "
                "copy the file again from the recorder"
            )
        if len(block):
            yield block
        if len(block) < wanted:
            return


def stretch(file: sf.SoundFile, start: int, stop: int) -> np.ndarray:
    """Return a stretch of an open capture in one piece, shape (2, frames).

    Where `blocks` ends early, or raises something, so does this.
    """
    frames = max(0, stop - start)
    keeper = kept_sound.keeper(file.frames)
    kept = keeper.get(file.name, start, frames) if keeper else None
    if kept is not None:
        return kept
    samples = np.empty((2, frames), np.float32)
    read = 0
    for block in blocks(file, start, stop):
        samples[:, read : read + len(block)] = block.T
        read += len(block)
    return samples[:, :read]


def promised_frames(file: sf.SoundFile) -> int | None:
    """Return the length that a file's header promises; None where it leaves that open.

    For most formats libsndfile reports the frames that are there, so that a file shorter than its
    header promises counts as one with frames missing.
    """
    if file.frames == OPEN_FRAMES:
        return None
    frames, frame_bytes = int(file.frames), int(file.channels) * SAMPLE_BYTES[file.subtype]
    return frames + _missing_bytes(Path(file.name)) // frame_bytes


def _missing_bytes(path: Path) -> int:
    """Return by how many bytes a file is shorter than its header says.

    0 where the header says nothing.
    """
    with path.open("rb") as file:
        head = file.read(28).ljust(28, b"\0")
    size = path.stat().st_size
    if head[:4] in (b"RIFF", b"FORM"):
        length = int.from_bytes(head[4:8], "little" if head[:4] == b"RIFF" else "big")
        promised = 8 + length if length < STREAMED_BYTES else size
    elif head[:4] == b"RF64" and head[12:16] == b"ds64":
        promised = 8 + int.from_bytes(head[20:28], "little")
    elif head[:4] == b"riff":
        promised = int.from_bytes(head[16:24], "little")
    else:
        promised = size
    return max(promised - size, 0) if promised < LONGEST_BYTES else 0


def _decoded(file: sf.SoundFile, at: int, count: int) -> tuple[np.ndarray, str]:
    """Return up to `count` frames from `at` on, and why there are not as many."""
    try:
        if file.tell() != at:
            file.seek(at)
        return file.read(count, dtype="float32", always_2d=True), ""
    except (sf.SoundFileError, RuntimeError) as error:
        return _salvaged(file.name, at, count), _first_line(error)


def _salvaged(name: str, at: int, count: int) -> np.ndarray:
    """Decode what there is of a stretch, piece by piece.

    By another decoder: one that has failed may neither read nor seek any more.
    """
    pieces = [np.empty((0, 2), np.float32)]
    stop = at + count
    with contextlib.suppress(sf.SoundFileError, RuntimeError), sf.SoundFile(name) as file:
        file.seek(at)
        while at < stop:
            piece = file.read(min(PIECE_FRAMES, stop - at), dtype="float32", always_2d=True)
            if not len(piece):
                break
            pieces.append(piece)
            at += len(piece)
    return np.concatenate(pieces)


def _first_line(error: Exception) -> str:
    """Return what went wrong, without the path on this machine."""
    said = str(getattr(error, "error_string", error)).strip()
    return said.splitlines()[0].rstrip(".") if said else "unknown"
