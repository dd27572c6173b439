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
#: Bytes of a frame as decoded, and bits of the samples that are whole numbers of few enough.
DECODED_FRAME_BYTES, WHOLE_BITS = 8, {"PCM_16": 16, "PCM_24": 24}
#: Bits of a stored sample beyond the sixteen of its upper part.
LOWER_BITS = 8


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
        if bits is None:
            self._upper = samples
            return
        # Exact both ways: a float32 holds 24 bits.
        whole = (samples / self._scale).astype(np.int32)
        if bits > 16:
            self._lower = whole.astype(np.uint8)
            whole >>= LOWER_BITS
        self._upper = whole.astype(np.int16)

    @property
    def nbytes(self) -> int:
        """Return the memory that it takes."""
        return self._upper.nbytes + (0 if self._lower is None else self._lower.nbytes)

    def samples(self, first: int, stop: int) -> np.ndarray:
        """Return the samples of some frames of the capture, as they were decoded."""
        part = slice(first - self.start, stop - self.start)
        upper = self._upper[part]
        if upper.dtype == np.float32:
            return upper
        samples = upper.astype(np.float32)
        if self._lower is not None:
            samples *= np.float32(1 << LOWER_BITS)
            samples += self._lower[part]
        samples *= self._scale
        return samples


class KeptSound:
    """Blocks in the order in which they were decoded, as far as there is room.

    Parameters
    ----------
    stretches_s : sequence of StretchSeconds, optional
        What will be read again; everything where it is not known.
    """

    def __init__(self, stretches_s: Sequence[StretchSeconds] | None = None) -> None:
        self._stretches_s = stretches_s
        self._blocks: list[tuple[str, _Block]] = []
        self._room = KEPT_BYTES

    def keep(self, file: sf.SoundFile, start: int, samples: np.ndarray) -> None:
        """Keep a block of a file if a second reader wants it and there is room."""
        if not self._wants(start, len(samples), file.samplerate):
            return
        if self.get(file.name, start, len(samples)) is not None:
            return
        # A capture that fits as decoded costs no arithmetic.
        fits = file.frames * DECODED_FRAME_BYTES <= KEPT_BYTES
        block = _Block(start, samples, None if fits else WHOLE_BITS.get(file.subtype))
        if block.nbytes <= self._room:
            self._blocks.append((file.name, block))
            self._room -= block.nbytes

    def get(self, name: str, start: int, frames: int) -> np.ndarray | None:
        """Return a block of exactly that many frames; None where not all of it is kept."""
        pieces = []
        at, stop = start, start + frames
        for kept_name, block in self._blocks:
            if kept_name == name and block.start <= at < block.stop:
                pieces.append(block.samples(at, min(stop, block.stop)))
                at += len(pieces[-1])
                if at == stop:
                    return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)
        return None

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
