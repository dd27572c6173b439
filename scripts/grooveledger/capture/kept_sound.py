"""Decoded sound that is kept for a second reader in the same process."""

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

#: Most that is kept, bytes: a minute and a half at 96 kHz.
KEPT_BYTES = 1 << 26


class KeptSound:
    """Blocks of stretches that are read more than once, in the order in which they were decoded."""

    def __init__(self, stretches_s: tuple[tuple[float, float], ...]) -> None:
        self._stretches_s = stretches_s
        self._blocks: list[tuple[str, int, np.ndarray]] = []
        self._room = KEPT_BYTES

    def keep(self, name: str, start: int, block: np.ndarray, sample_rate_hz: float) -> None:
        """Keep a block of a file if a second reader wants it and there is room."""
        begin_s, end_s = start / sample_rate_hz, (start + len(block)) / sample_rate_hz
        wanted = any(begin_s < stop and end_s > first for first, stop in self._stretches_s)
        if wanted and block.nbytes <= self._room and self.get(name, start, len(block)) is None:
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


#: What this process keeps; nothing outside `keeping`.
kept: KeptSound | None = None


@contextmanager
def keeping(*stretches_s: tuple[float, float]) -> Iterator[None]:
    """Keep what is decoded of stretches, given as start and stop in seconds, until the end."""
    global kept
    kept = KeptSound(stretches_s) if stretches_s else None
    try:
        yield
    finally:
        kept = None
