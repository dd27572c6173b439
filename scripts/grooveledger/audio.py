"""Reading captures in blocks: two channels, float32, full scale 1."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile as sf

from grooveledger.faults import CaptureFault

#: Rates a capture may have, Hz: below, the treble that is asked for is not in the file.
SAMPLE_RATE_MIN_HZ, SAMPLE_RATE_MAX_HZ = 44_100, 192_000
#: Frames a block: 2 MB of float32 stereo, which stays in cache and amortises the call.
BLOCK_FRAMES = 1 << 18


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
            f"no file {path.name}: put it under captures_dir or mend the sheet's file"
        )
    if path.stat().st_size == 0:
        raise CaptureFault(f"{path.name} is empty (0 bytes): copy it again from the recorder")
    try:
        file = sf.SoundFile(path)
    except (sf.SoundFileError, RuntimeError) as error:
        raise CaptureFault(
            f"{path.name} can't be read as audio ({_first_line(error)}): copy or convert it again"
        ) from error
    with file:
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
        The file can't be decoded to the end.
    """
    stop = file.frames if stop is None else min(stop, file.frames)
    start = max(start, 0)
    try:
        if file.tell() != start:
            file.seek(start)
        while start < stop:
            block = file.read(min(frames, stop - start), dtype="float32", always_2d=True)
            if not len(block):
                return
            start += len(block)
            yield block
    except (sf.SoundFileError, RuntimeError) as error:
        raise CaptureFault(
            f"decoding stops at {start / file.samplerate:.1f} s ({_first_line(error)}): "
            "copy the file again, or cut it before that"
        ) from error


def _first_line(error: Exception) -> str:
    """What went wrong, without the path on this machine."""
    said = str(getattr(error, "error_string", error)).strip()
    return said.splitlines()[0].rstrip(".") if said else "unknown"
