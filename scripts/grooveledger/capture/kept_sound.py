"""Decoded sound that is kept for a second reader in the same process."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import numpy as np

#: Most that is kept, bytes: nearly eight minutes at 96 kHz. A job's memory is this, what it works
#: on and its libraries.
KEPT_BYTES = 344 << 20
#: Of a longer capture nothing is kept, frames: its sweeps may be long as well and take the memory.
LONGEST_FRAMES = 1 << 26

#: Start and stop of a stretch of a capture, s.
StretchSeconds = tuple[float, float]


class KeptSound:
    """Blocks in the order in which they were decoded, as far as there is room.

    Parameters
    ----------
    stretches_s : sequence of StretchSeconds, optional
        What will be read again; everything where it is not known.
    """

    def __init__(self, stretches_s: Sequence[StretchSeconds] | None = None) -> None:
        self._stretches_s = stretches_s
        self._blocks: list[tuple[str, int, np.ndarray]] = []
        self._room = KEPT_BYTES

    def keep(self, name: str, start: int, block: np.ndarray, sample_rate_hz: float) -> None:
        """Keep a block of a file if a second reader wants it and there is room."""
        if block.nbytes > self._room or not self._wants(start, len(block), sample_rate_hz):
            return
        if self.get(name, start, len(block)) is None:
            self._blocks.append((name, start, block))
            self._room -= block.nbytes

    def get(self, name: str, start: int, frames: int) -> np.ndarray | None:
        """Return a block of exactly that many frames; None where not all of it is kept."""
        pieces = []
        at, stop = start, start + frames
        for kept_name, first, block in self._blocks:
            if kept_name == name and first <= at < first + len(block):
                pieces.append(block[at - first : stop - first])
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
