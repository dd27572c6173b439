"""One streamed pass over a capture: band powers of both channels about 100 times a second."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from grooveledger.capture import reader
from grooveledger.faults import CaptureFault
from grooveledger.segment.band_powers import (
    HIGH_BANDS_HZ,
    LOW_RATE_HZ,
    LOW_SAMPLES_PER_FRAME,
    BandPowers,
    low_powers,
    slow_powers,
)
from grooveledger.storage.digests import file_sha256

#: Envelope frames read at a time (each call of the reader costs), and worked on at a time (which
#: should stay in a processor's cache).
FRAMES_PER_READ, FRAMES_PER_BLOCK = 256, 64
#: A capture is read up to here, s: twice as long as any side, and memory grows with what is read.
LONGEST_S = 3600.0
#: Magnitude from which a sample counts as full scale: the top code of 16 bits.
FULL_SCALE = 32767 / 32768
#: A sample of a float file may be above full scale, but beyond 60 dB above it, it is no sound: the
#: file holds integers taken for floats, or damage.
LOUDEST = 1e3
#: A file of no samples that is longer than this has more than a header.
HEADER_BYTES_MAX = 1 << 16


@dataclass(frozen=True)
class Envelope:
    """Band powers against time, as mean squares relative to a full-scale sine (which has power 1).

    Attributes
    ----------
    hop_s : float
        Time from frame to frame; frame t covers t * hop_s to (t + 1) * hop_s.
    left, right : ndarray, shape (frames, bands)
        Power in the bands `BANDS_HZ`. Bands beyond half the sampling rate hold 0.
    cross : ndarray, shape (frames, bands)
        Mean product of left and right on the same scale: sqrt(left * right) where they are in
        phase, minus that in antiphase.
    moment_hz : ndarray, shape (frames, bands)
        Power-weighted sum of frequency of both channels: over left + right, it is the frequency of
        a band's tone.
    total_left, total_right : ndarray, shape (frames,)
        Power of everything in the channel.
    clipped : ndarray of int, shape (frames,)
        Samples at full scale in runs of two or more, both channels.
    """

    hop_s: float
    left: np.ndarray
    right: np.ndarray
    cross: np.ndarray
    moment_hz: np.ndarray
    total_left: np.ndarray
    total_right: np.ndarray
    clipped: np.ndarray

    def __len__(self) -> int:
        return len(self.total_left)

    @cached_property
    def duration_s(self) -> float:
        """Time that the frames cover."""
        return len(self) * self.hop_s


@dataclass(frozen=True)
class FileFacts:
    """What a capture's file holds, whatever was played.

    Attributes
    ----------
    sha256 : str
        Digest of the file's bytes.
    frames, promised_frames : int
        Sample frames read, and those that its header promises of the part that is read.
    ran_on : bool
        Whether there is more than `LONGEST_S`, which is not read.
    clipped : tuple of int
        Samples at full scale in runs of two or more, left and right.
    dc : tuple of float
        Mean of the channels, as a part of full scale.
    peak : float
        Largest magnitude of a sample.
    """

    sha256: str
    sample_rate_hz: int
    frames: int
    promised_frames: int
    ran_on: bool
    clipped: tuple[int, int]
    dc: tuple[float, float]
    peak: float

    @property
    def duration_s(self) -> float:
        """Length of what was read."""
        return self.frames / self.sample_rate_hz


def read_envelope(path: str | Path, sha256: str | None = None) -> tuple[Envelope, FileFacts]:
    """Read a capture once, in blocks, and keep its envelope and the facts of the file.

    Parameters
    ----------
    path : str or Path
        The capture.
    sha256 : str, optional
        The file's digest where it is known; else the file is hashed.

    Raises
    ------
    CaptureFault
        Not readable, nothing in it, or samples that can't be sound. A file whose decoding stops
        half-way is no fault here: what was read is returned, and is less than was promised.
    """
    with reader.open_capture(path) as file:
        seen = _Reader(file.samplerate)
        longest = round(LONGEST_S * file.samplerate)
        for block in reader.blocks(file, stop=longest, frames=seen.read_frames):
            for start in range(0, len(block), seen.block_frames):
                seen.add(block[start : start + seen.block_frames])
        if not seen.frames:
            raise CaptureFault(_no_samples(Path(path)))
        promised = reader.promised_frames(file) or seen.frames
        facts = FileFacts(
            sha256=file_sha256(Path(path)) if sha256 is None else sha256,
            sample_rate_hz=file.samplerate,
            frames=seen.frames,
            promised_frames=min(promised, longest),
            ran_on=promised > longest,
            clipped=(int(seen.clipped[0]), int(seen.clipped[1])),
            dc=seen.dc(),
            peak=seen.peak,
        )
    return seen.envelope(), facts


def _no_samples(path: Path) -> str:
    if path.stat().st_size > HEADER_BYTES_MAX:
        return (
            f"{path.name} says that it holds no samples, yet has {path.stat().st_size} bytes: the "
            "recorder did not finish it; have an audio editor read it as raw samples and save it"
        )
    return f"{path.name} holds no samples: copy it again from the recorder"


class _Reader:
    """Gathers the envelope block by block."""

    def __init__(self, sample_rate_hz: int) -> None:
        self.decimation = round(sample_rate_hz / LOW_RATE_HZ)
        self.hop = self.decimation * LOW_SAMPLES_PER_FRAME
        self.sample_rate_hz = sample_rate_hz
        self.read_frames = self.hop * FRAMES_PER_READ
        self.block_frames = self.hop * FRAMES_PER_BLOCK
        self.high = BandPowers(self.hop // 2, sample_rate_hz, HIGH_BANDS_HZ)
        self.to_low = np.repeat(np.eye(2, dtype=np.float32)[None], self.decimation, axis=0)
        self.to_low = self.to_low.reshape(2 * self.decimation, 2) / np.float32(self.decimation)
        self.frames = 0
        self.clipped = np.zeros(2, dtype=int)
        self.peak = 0.0
        self.last = np.zeros((1, 2), dtype=np.float32)
        self.high_parts: list[np.ndarray] = []
        self.low_parts: list[np.ndarray] = []
        self.clipped_parts: list[np.ndarray] = []

    def add(self, block: np.ndarray) -> None:
        """Take the next block, shape (frames, 2); only the last may be shorter than a whole one."""
        peak = max(float(block.max()), -float(block.min()))
        if not peak <= LOUDEST:
            sound = (np.abs(block) <= LOUDEST).all(axis=1)
            at_s = (self.frames + int(np.argmin(sound))) / self.sample_rate_hz
            value = block[np.argmin(sound)]
            what = (
                "not a finite number"
                if not np.isfinite(value).all()
                else (f"{np.abs(value).max():.3g} times full scale")
            )
            raise CaptureFault(
                f"a sample at {at_s:.2f} s is {what}: the file was damaged or badly converted; "
                "capture or convert it again"
            )
        self.frames += len(block)
        self.peak = max(self.peak, peak)
        padded = -(-len(block) // self.hop) * self.hop
        clipped = np.zeros(padded // self.hop, dtype=int)
        if peak >= FULL_SCALE:
            counted = _clipped(block, self.last)
            self.clipped += counted.sum(axis=0)
            clipped += np.add.reduceat(counted.sum(axis=1), range(0, len(block), self.hop))
        self.clipped_parts.append(clipped)
        self.last = block[-1:].copy()
        if padded > len(block):
            block = np.concatenate([block, np.zeros((padded - len(block), 2), np.float32)])
        low = block.reshape(-1, 2 * self.decimation) @ self.to_low
        self.low_parts.append(low)
        start = self.hop // 4
        pairs = block.reshape(-1).view(np.complex64).reshape(-1, self.hop)
        self.high_parts.append(self.high(pairs[:, start : start + self.hop // 2]))

    def dc(self) -> tuple[float, float]:
        """Return the mean of all samples, left and right."""
        pair = sum(complex(part.view(np.complex64).sum(dtype=complex)) for part in self.low_parts)
        pair *= self.decimation / self.frames
        return pair.real, pair.imag

    def envelope(self) -> Envelope:
        """Return the band powers of all blocks taken, whose memory is given back on the way."""
        low = np.concatenate(self.low_parts).reshape(-1).view(np.complex64)
        self.low_parts.clear()
        hop_s = self.hop / self.sample_rate_hz
        low_rate_hz = self.sample_rate_hz / self.decimation
        high = np.concatenate(self.high_parts, axis=1)
        self.high_parts.clear()
        columns = np.concatenate(
            [
                slow_powers(low, low_rate_hz),
                low_powers(low, low_rate_hz),
                high[:, :, :-1],
            ],
            axis=2,
        )
        left, right, cross, moment_hz = columns
        return Envelope(
            hop_s=hop_s,
            left=left,
            right=right,
            cross=cross,
            moment_hz=moment_hz,
            total_left=high[0, :, -1],
            total_right=high[1, :, -1],
            clipped=np.concatenate(self.clipped_parts),
        )


def _clipped(block: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Return which samples sit at full scale beside another that does.

    `last` is the frame before.
    """
    full = np.abs(np.concatenate([last, block])) >= FULL_SCALE
    beside = np.zeros_like(full)
    beside[1:] |= full[:-1]
    beside[:-1] |= full[1:]
    return (full & beside)[1:]
