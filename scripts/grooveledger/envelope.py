"""One streamed pass over a capture: band powers of both channels about 100 times a second.

The two channels travel together as one complex signal, left + j right: one complex transform then
gives both (for Z = FFT(l + j r), with A = Z[k] and B = Z[-k],
|L|^2 + |R|^2 = (|A|^2 + |B|^2) / 2, |L|^2 - |R|^2 = Re(A B), Re(L R*) = Im(A B) / 2).
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import scipy.fft

from grooveledger import audio
from grooveledger.faults import CaptureFault

#: Rate of the low stream, Hz, nearly: it carries what lies below the treble transform's reach.
LOW_RATE_HZ = 2400
#: Low-stream samples an envelope frame: 100 frames a second.
LOW_SAMPLES_PER_FRAME = 24
#: Envelope frames that the low stream's transform spans: 30 ms.
LOW_SPAN_FRAMES = 3
#: Bands of the slow stream (the envelope frames' means), Hz. Below 3 Hz lie warps, not modulation.
SLOW_BANDS_HZ = ((3.0, 15.0), (15.0, 48.0))
#: Bands of the low stream, Hz: octaves, by edges that fall between its transform's bins of 33 Hz.
LOW_BANDS_HZ = ((83.0, 183.0), (183.0, 383.0), (383.0, 717.0))
#: Bands of the treble transform, Hz: octaves, by edges between its bins of 200 Hz.
HIGH_BANDS_HZ = (
    (700.0, 1500.0),
    (1500.0, 2900.0),
    (2900.0, 5700.0),
    (5700.0, 11300.0),
    (11300.0, 22500.0),
    (22500.0, 45000.0),
)
BANDS_HZ = SLOW_BANDS_HZ + LOW_BANDS_HZ + HIGH_BANDS_HZ
#: Envelope frames read at a time: 0.6 s, which stays in a processor's cache.
FRAMES_PER_BLOCK = 64
#: Frames of the low stream's transform made at a time.
LOW_FRAMES_PER_BLOCK = 4096
#: Magnitude from which a sample counts as full scale: the top code of 16 bits.
FULL_SCALE = 32767 / 32768


@dataclass(frozen=True)
class Envelope:
    """Band powers against time, as mean squares re a full-scale sine (which has power 1).

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
        Sample frames read, and those that its header speaks of.
    clipped : tuple of int
        Samples at full scale in runs of two or more, left and right.
    dc : tuple of float
        Mean of the channels, re full scale.
    peak : float
        Largest magnitude of a sample.
    decoding_fault : str
        Why reading ended early; empty when it did not.
    """

    sha256: str
    sample_rate_hz: int
    frames: int
    promised_frames: int
    clipped: tuple[int, int]
    dc: tuple[float, float]
    peak: float
    decoding_fault: str

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
        Not readable, nothing in it, or samples that are not finite numbers. A file whose decoding
        stops half-way is no fault here: what was read is returned, and `decoding_fault` says so.
    """
    with audio.open_capture(path) as file:
        reader = _Reader(file.samplerate)
        blocks = audio.blocks(file, frames=reader.block_frames)
        fault = ""
        while True:
            try:
                block = next(blocks, None)
            except CaptureFault as stopped:
                fault = str(stopped)
                break
            if block is None:
                break
            reader.add(block)
        if not reader.frames:
            raise CaptureFault(
                fault or f"{Path(path).name} holds no samples: copy it again from the recorder"
            )
        facts = FileFacts(
            sha256=sha256 or digest(path),
            sample_rate_hz=file.samplerate,
            frames=reader.frames,
            promised_frames=file.frames,
            clipped=(int(reader.clipped[0]), int(reader.clipped[1])),
            dc=(float(reader.sums[0] / reader.frames), float(reader.sums[1] / reader.frames)),
            peak=reader.peak,
            decoding_fault=fault,
        )
    return reader.envelope(), facts


def digest(path: str | Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class _Reader:
    """Gathers the envelope block by block."""

    def __init__(self, sample_rate_hz: int) -> None:
        self.decimation = round(sample_rate_hz / LOW_RATE_HZ)
        self.hop = self.decimation * LOW_SAMPLES_PER_FRAME
        self.sample_rate_hz = sample_rate_hz
        self.block_frames = self.hop * FRAMES_PER_BLOCK
        self.high = _BandPowers(self.hop // 2, sample_rate_hz, HIGH_BANDS_HZ)
        self.to_low = np.repeat(np.eye(2, dtype=np.float32)[None], self.decimation, axis=0)
        self.to_low = self.to_low.reshape(2 * self.decimation, 2) / np.float32(self.decimation)
        self.frames = 0
        self.sums = np.zeros(2)
        self.clipped = np.zeros(2, dtype=int)
        self.peak = 0.0
        self.last = np.zeros((1, 2), dtype=np.float32)
        self.high_parts: list[np.ndarray] = []
        self.low_parts: list[np.ndarray] = []
        self.clipped_parts: list[np.ndarray] = []

    def add(self, block: np.ndarray) -> None:
        """Take the next block, shape (frames, 2); only the last may be shorter than a whole one."""
        peak = max(float(block.max()), -float(block.min()))
        if not np.isfinite(peak):
            at_s = (self.frames + int(np.argmin(np.isfinite(block).all(axis=1)))) / (
                self.sample_rate_hz
            )
            raise CaptureFault(
                f"a sample at {at_s:.2f} s is not a finite number: the file was damaged or badly "
                "converted; capture or convert it again"
            )
        self.frames += len(block)
        self.peak = max(self.peak, peak)
        padded = -(-len(block) // self.hop) * self.hop
        at_full_scale = np.zeros(padded, dtype=int)
        if peak >= FULL_SCALE:
            counted = _clipped(block, self.last)
            self.clipped += counted.sum(axis=0)
            at_full_scale[: len(block)] = counted.sum(axis=1)
        self.last = block[-1:].copy()
        if padded > len(block):
            block = np.concatenate([block, np.zeros((padded - len(block), 2), np.float32)])
        low = block.reshape(-1, 2 * self.decimation) @ self.to_low
        self.sums += low.sum(axis=0, dtype=float) * self.decimation
        self.low_parts.append(low)
        start = self.hop // 4
        pairs = block.reshape(-1).view(np.complex64).reshape(-1, self.hop)
        self.high_parts.append(self.high(pairs[:, start : start + self.hop // 2]))
        self.clipped_parts.append(at_full_scale.reshape(-1, self.hop).sum(axis=1))

    def envelope(self) -> Envelope:
        """Band powers of all blocks taken."""
        low = np.concatenate(self.low_parts).view(np.complex64).reshape(-1)
        hop_s = self.hop / self.sample_rate_hz
        low_rate_hz = self.sample_rate_hz / self.decimation
        high = np.concatenate(self.high_parts, axis=1)
        columns = np.concatenate(
            [
                _slow_powers(low.reshape(-1, LOW_SAMPLES_PER_FRAME).mean(axis=1), 1.0 / hop_s),
                _low_powers(low, low_rate_hz),
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


class _BandPowers:
    """Band powers of stretches of the complex pair left + j right, by a Hann-windowed transform."""

    def __init__(
        self, span: int, sample_rate_hz: float, bands_hz: Sequence[tuple[float, float]]
    ) -> None:
        window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(span) + 0.5) / span)
        self.window = window.astype(np.float32)
        self.bins = 1 + int(np.searchsorted(_bin_hz(span, sample_rate_hz), bands_hz[-1][1]))
        self.bins = min(self.bins, (span + 1) // 2)
        frequency_hz = _bin_hz(span, sample_rate_hz)[: self.bins]
        # A sine of amplitude a has power a^2: a^2 / 4 of it, times the window's, in positive bins.
        scale = 4.0 / (span * np.sum(window**2))
        inside = np.array(
            [(frequency_hz > low) & (frequency_hz < high) for low, high in bands_hz], dtype=float
        ).T
        everything = np.ones((self.bins, 1))
        everything[0] = 0.5  # the mean has no twin among the negative frequencies
        weights = scale * np.hstack([inside, everything])
        moments = weights[:, :-1] * frequency_hz[:, None]
        self.bands = len(bands_hz)
        # Rows follow the real and imaginary parts of the whole transform: bin k and its twin -k.
        sums = np.zeros((span, 2 * self.bands + 1))
        sums[: self.bins] += np.hstack([weights / 4.0, moments / 2.0])
        sums[-np.arange(self.bins)] += np.hstack([weights / 4.0, moments / 2.0])
        self.sums = np.repeat(sums, 2, axis=0).astype(np.float32)
        products = np.zeros((self.bins, 2, 2 * self.bands + 1))
        products[:, 0, : self.bands + 1] = weights / 2.0
        products[:, 1, self.bands + 1 :] = weights[:, :-1] / 2.0
        self.products = products.reshape(2 * self.bins, -1).astype(np.float32)
        self.twins = -np.arange(self.bins) % span

    def __call__(self, pairs: np.ndarray) -> np.ndarray:
        """Powers of pairs of shape (frames, span): left, right, cross, moment by frame and band.

        One more column than bands holds the power of everything (left and right only).
        """
        transform = scipy.fft.fft(pairs * self.window, axis=1)
        parts = transform.view(np.float32)
        sums = (parts * parts) @ self.sums
        product = transform[:, : self.bins] * transform[:, self.twins]
        products = product.view(np.float32) @ self.products
        columns = self.bands + 1
        out = np.zeros((4, len(pairs), columns), dtype=np.float32)
        np.maximum(sums[:, :columns] + products[:, :columns], 0.0, out=out[0])
        np.maximum(sums[:, :columns] - products[:, :columns], 0.0, out=out[1])
        out[2, :, :-1] = products[:, columns:]
        out[3, :, :-1] = sums[:, columns:]
        return out


def _bin_hz(span: int, sample_rate_hz: float) -> np.ndarray:
    return np.arange(span) * (sample_rate_hz / span)


def _low_powers(low: np.ndarray, low_rate_hz: float) -> np.ndarray:
    """Powers in `LOW_BANDS_HZ` at the envelope's frames, from the low stream."""
    hop = LOW_SAMPLES_PER_FRAME
    span = LOW_SPAN_FRAMES * hop
    beside = np.zeros((span - hop) // 2, dtype=low.dtype)
    padded = np.concatenate([beside, low, beside])
    pairs = np.lib.stride_tricks.sliding_window_view(padded, span)[::hop]
    bands = _BandPowers(span, low_rate_hz, LOW_BANDS_HZ)
    parts = [
        bands(pairs[start : start + LOW_FRAMES_PER_BLOCK])[:, :, :-1]
        for start in range(0, len(pairs), LOW_FRAMES_PER_BLOCK)
    ]
    return np.concatenate(parts, axis=1)


def _slow_powers(pairs: np.ndarray, frame_rate_hz: float) -> np.ndarray:
    """Powers in `SLOW_BANDS_HZ` at the envelope's frames, from the frames' means.

    The analytic signal's squared magnitude has no ripple at twice the frequency, which at 4 Hz
    would hide where a track ends.
    """
    length = scipy.fft.next_fast_len(len(pairs) + int(frame_rate_hz))
    frequency_hz = scipy.fft.rfftfreq(length, 1.0 / frame_rate_hz)
    spectra = scipy.fft.rfft(np.stack([pairs.real, pairs.imag]), n=length, axis=1)
    out = np.zeros((4, len(pairs), len(SLOW_BANDS_HZ)), dtype=np.float32)
    for band, (low_hz, high_hz) in enumerate(SLOW_BANDS_HZ):
        gain = 2.0 * _edge(frequency_hz, low_hz) * (1.0 - _edge(frequency_hz, high_hz))
        analytic = np.zeros((2, length), dtype=np.complex64)
        analytic[:, : len(frequency_hz)] = spectra * gain
        left, right = scipy.fft.ifft(analytic, axis=1)[:, : len(pairs)]
        power = np.abs(left) ** 2 + np.abs(right) ** 2
        turn = np.zeros(len(pairs), dtype=np.complex64)
        turn[1:-1] = sum(pair[2:] * pair[:-2].conj() for pair in (left, right))
        turning_hz = np.angle(turn) * (frame_rate_hz / (4.0 * np.pi))
        out[0, :, band] = np.abs(left) ** 2
        out[1, :, band] = np.abs(right) ** 2
        out[2, :, band] = (left * right.conj()).real
        out[3, :, band] = power * np.clip(turning_hz, low_hz, high_hz)
    return out


def _edge(frequency_hz: np.ndarray, edge_hz: float) -> np.ndarray:
    """Raised-cosine step from 0 to 1, half an octave wide, centred on `edge_hz`."""
    octaves = np.log2(np.maximum(frequency_hz, edge_hz / 4.0) / edge_hz)
    return np.asarray(0.5 + 0.5 * np.sin(np.pi * np.clip(2.0 * octaves, -0.5, 0.5)))


def _clipped(block: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Which samples sit at full scale beside another that does; `last` is the frame before."""
    full = np.abs(np.concatenate([last, block])) >= FULL_SCALE
    beside = np.zeros_like(full)
    beside[1:] |= full[:-1]
    beside[:-1] |= full[1:]
    return np.asarray((full & beside)[1:])
