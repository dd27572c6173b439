"""Decoded sound that is kept for a second reader in the same process."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import numpy as np
import soundfile as sf

#: Most that is kept, bytes: ten minutes of 24 bits at 96 kHz. A job's memory is this, what it works
#: on and its libraries.
KEPT_BYTES = 344 << 20
#: Of a longer capture nothing is kept, frames: its sweeps may be long as well and take the memory.
LONGEST_FRAMES = 1 << 26

#: Start and stop of a stretch of a capture, s.
StretchSeconds = tuple[float, float]
#: Samples of a frame, and bits of those that are whole numbers of few enough.
CHANNELS, WHOLE_BITS = 2, {"PCM_16": 16, "PCM_24": 24}
#: Bits of a stored sample beyond the sixteen of its upper part.
LOWER_BITS = 8
#: Frames that are packed at a time: a processor's cache holds what is made on the way.
PACKED_FRAMES = 1 << 13


class _Block:
    """Samples as decoded, or as the whole numbers that they are, in fewer bytes.

    Parameters
    ----------
    samples : numpy.ndarray
        float32, shape (frames, 2), full scale 1.
    bits : int, optional
        16 or 24, of the whole numbers; as decoded where it is not given.
    """

    def __init__(self, start: int, samples: np.ndarray, bits: int | None) -> None:
        self.start = start
        self.stop = start + len(samples)
        self._scale = np.float32(1.0 if bits is None else 2.0 ** (1 - bits))
        self._lower: np.ndarray | None = None
        # A channel after the other, as second readers work on them.
        self._upper = samples.T
        if bits is None:
            return
        shape = self._upper.shape
        self._upper = np.empty(shape, np.int16)
        if bits > 16:
            self._lower = np.empty(shape, np.uint8)
        for first in range(0, len(samples), PACKED_FRAMES):
            part = slice(first, first + PACKED_FRAMES)
            # Exact both ways: a float32 holds 24 bits.
            whole = (samples[part].T / self._scale).astype(np.int32)
            if self._lower is not None:
                self._lower[:, part] = whole
                whole >>= LOWER_BITS
            self._upper[:, part] = whole

    @property
    def nbytes(self) -> int:
        """Return the memory that it takes."""
        return self._upper.nbytes + (0 if self._lower is None else self._lower.nbytes)

    def put(self, first: int, stop: int, samples: np.ndarray) -> None:
        """Fill an array of shape (2, frames) with some frames of the capture, as decoded."""
        part = slice(first - self.start, stop - self.start)
        np.copyto(samples, self._upper[:, part])
        if self._lower is not None:
            samples *= np.float32(1 << LOWER_BITS)
            samples += self._lower[:, part]
        if self._upper.dtype != np.float32:
            samples *= self._scale


class KeptSound:
    """Blocks in the order in which they were decoded, as far as there is room.

    Parameters
    ----------
    stretches_s : sequence of StretchSeconds, optional
        What will be read again; everything where it is not known.
    """

    def __init__(self, stretches_s: Sequence[StretchSeconds] | None = None) -> None:
        self._stretches_s = stretches_s
        self._blocks: dict[str, list[_Block]] = {}
        self._room = KEPT_BYTES

    def keep(self, file: sf.SoundFile, start: int, samples: np.ndarray) -> None:
        """Keep a block of a file if a second reader wants it and there is room."""
        if not self._wants(start, len(samples), file.samplerate):
            return
        if self.get(file.name, start, len(samples)) is not None:
            return
        bits = WHOLE_BITS.get(file.subtype)
        # As decoded, which costs no arithmetic, where what follows still has room in fewer bytes.
        follows = file.frames - start - len(samples)
        if bits and samples.nbytes + follows * CHANNELS * bits // 8 <= self._room:
            bits = None
        block = _Block(start, samples, bits)
        if block.nbytes <= self._room:
            self._blocks.setdefault(file.name, []).append(block)
            self._room -= block.nbytes

    def get(self, name: str, start: int, frames: int) -> np.ndarray | None:
        """Return exactly that many frames, shape (2, frames); None where not all are kept."""
        at, stop = start, start + frames
        pieces = []
        for block in self._blocks.get(name, ()):
            if block.start <= at < block.stop:
                pieces.append(block)
                at = block.stop
            if at >= stop:
                break
        if at < stop:
            return None
        samples = np.empty((2, frames), np.float32)
        for block in pieces:
            first, last = max(start, block.start), min(stop, block.stop)
            block.put(first, last, samples[:, first - start : last - start])
        return samples

    def _wants(self, start: int, frames: int, sample_rate_hz: float) -> bool:
        if self._stretches_s is None:
            return True
        begin_s, end_s = start / sample_rate_hz, (start + frames) / sample_rate_hz
        return any(begin_s < stop and end_s > first for first, stop in self._stretches_s)


#: What this process keeps; nothing outside `keeping`.
kept: KeptSound | None = None


def keeper(frames: int) -> KeptSound | None:
    """Return what keeps the sound of a capture of that length, if anything does."""
    return kept if frames <= LONGEST_FRAMES else None


@contextmanager
def keeping(stretches_s: Sequence[StretchSeconds] | None = None) -> Iterator[None]:
    """Keep what is decoded, or of it some stretches, until the end.

    Where a caller keeps sound already, that goes on and nothing else is kept.
    """
    global kept
    outer = kept
    kept = outer or KeptSound(stretches_s)
    try:
        yield
    finally:
        kept = outer
