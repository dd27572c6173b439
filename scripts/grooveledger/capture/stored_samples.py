"""Samples of a long sound in a scratch file: memory holds only what is worked on."""

import tempfile
from collections.abc import Iterable
from typing import BinaryIO, cast

import numpy as np


class StoredSamples:
    """Two channels of samples, sliced like an array of shape (2, n) and read when made one.

    `samples[channels, start:stop]` is such a slice, and numpy.asarray() of it reads it.

    Parameters
    ----------
    file : binary file
        Float32, frame after frame.
    channels : slice
        Which of the two channels.
    start, stop : int
        First frame and the one after the last.
    """

    def __init__(self, file: BinaryIO, channels: slice, start: int, stop: int) -> None:
        self._file = file
        self._channels = channels
        self._start = start
        self._stop = stop

    @classmethod
    def of(cls, blocks: Iterable[np.ndarray]) -> "StoredSamples":
        """Store blocks of shape (frames, 2); the file goes with the last slice of it."""
        file = cast(BinaryIO, tempfile.TemporaryFile(prefix="grooveledger-"))  # noqa: SIM115
        frames = 0
        for block in blocks:
            file.write(np.ascontiguousarray(block, np.float32).data)
            frames += len(block)
        file.flush()
        return cls(file, slice(0, 2), 0, frames)

    @property
    def shape(self) -> tuple[int, int]:
        """Channels and samples."""
        return len(range(2)[self._channels]), self._stop - self._start

    def __getitem__(self, key: tuple[slice, slice]) -> "StoredSamples":
        channels, span = key
        start, stop, _ = span.indices(self.shape[1])
        kept = range(2)[self._channels][channels]
        return StoredSamples(
            self._file,
            slice(kept.start, kept.stop),
            self._start + start,
            self._start + max(start, stop),
        )

    def __array__(self, dtype: object = None, copy: object = None) -> np.ndarray:
        """Read the samples, shape (channels, n), float32."""
        self._file.seek(8 * self._start)
        read = np.frombuffer(self._file.read(8 * self.shape[1]), np.float32)
        return np.ascontiguousarray(read.reshape(-1, 2).T[self._channels])


#: Samples of shape (channels, n), float32, in memory or stored.
Samples = np.ndarray | StoredSamples
