"""One streamed pass over a capture: band powers of both channels about 100 times a second.

The two channels travel together as one complex signal, left + j right: one complex transform then
gives both (for Z = FFT(l + j r), with A = Z[k] and B = Z[-k],
|L|^2 + |R|^2 = (|A|^2 + |B|^2) / 2, |L|^2 - |R|^2 = Re(A B), Re(L R*) = Im(A B) / 2).
"""

import hashlib
import math
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
#: Envelope frames that the low stream's transform spans: 50 ms.
LOW_SPAN_FRAMES = 5
#: Slow-stream samples an envelope frame: each is a mean of 5 ms.
SLOW_SAMPLES_PER_FRAME = 2
#: Bands of the slow stream, Hz. Below 3 Hz lie warps, not modulation.
SLOW_BANDS_HZ = ((3.0, 15.0), (15.0, 70.0))
#: Bands of the low stream, Hz: octaves, by edges between its transform's bins of 20 Hz. The first
#: also takes the bin below, which its lowest tones leak into.
LOW_BANDS_HZ = ((50.0, 190.0), (190.0, 390.0), (390.0, 790.0))
#: Bands of the treble transform, Hz: octaves, by edges between its bins of 200 Hz, likewise.
HIGH_BANDS_HZ = (
    (500.0, 1500.0),
    (1500.0, 2900.0),
    (2900.0, 5700.0),
    (5700.0, 11300.0),
    (11300.0, 22500.0),
    (22500.0, 45000.0),
)
BANDS_HZ = SLOW_BANDS_HZ + LOW_BANDS_HZ + HIGH_BANDS_HZ
#: Envelope frames read at a time (each call of the reader costs), and worked on at a time (which
#: should stay in a processor's cache).
FRAMES_PER_READ, FRAMES_PER_BLOCK = 256, 64
#: Frames of the low stream's transform made at a time.
LOW_FRAMES_PER_BLOCK = 512
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
        blocks = audio.blocks(file, frames=reader.read_frames)
        fault = ""
        while True:
            try:
                block = next(blocks, None)
            except CaptureFault as stopped:
                fault = str(stopped)
                break
            if block is None:
                break
            for start in range(0, len(block), reader.block_frames):
                reader.add(block[start : start + reader.block_frames])
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
            dc=reader.dc(),
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
        self.read_frames = self.hop * FRAMES_PER_READ
        self.block_frames = self.hop * FRAMES_PER_BLOCK
        self.high = _BandPowers(self.hop // 2, sample_rate_hz, HIGH_BANDS_HZ)
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
        self.low_parts.append(low)
        start = self.hop // 4
        pairs = block.reshape(-1).view(np.complex64).reshape(-1, self.hop)
        self.high_parts.append(self.high(pairs[:, start : start + self.hop // 2]))
        self.clipped_parts.append(at_full_scale.reshape(-1, self.hop).sum(axis=1))

    def dc(self) -> tuple[float, float]:
        """Return the mean of all samples, left and right."""
        pair = complex(np.concatenate(self.low_parts).view(np.complex64).sum(dtype=complex))
        pair *= self.decimation / self.frames
        return pair.real, pair.imag

    def envelope(self) -> Envelope:
        """Band powers of all blocks taken."""
        low = np.concatenate(self.low_parts).reshape(-1).view(np.complex64)
        hop_s = self.hop / self.sample_rate_hz
        low_rate_hz = self.sample_rate_hz / self.decimation
        high = np.concatenate(self.high_parts, axis=1)
        columns = np.concatenate(
            [
                _slow_powers(low, low_rate_hz),
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
        self,
        span: int,
        sample_rate_hz: float,
        bands_hz: Sequence[tuple[float, float]],
        mean_rate_hz: float = math.inf,
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
        # Samples that are means over 1 / mean_rate_hz have lost some of their treble.
        weights /= _gain_of_mean(frequency_hz, mean_rate_hz)[:, None] ** 2
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
        self.work = np.empty((0, span), dtype=np.complex64)

    def __call__(self, pairs: np.ndarray) -> np.ndarray:
        """Powers of pairs of shape (frames, span): left, right, cross, moment by frame and band.

        One more column than bands holds the power of everything (left and right only).
        """
        frames = len(pairs)
        if frames > len(self.work):
            # Kept from call to call: fresh memory costs more than the arithmetic.
            self.work = np.empty((frames, len(self.window)), dtype=np.complex64)
            self.squares = np.empty((frames, 2 * len(self.window)), dtype=np.float32)
            self.product = np.empty((frames, self.bins), dtype=np.complex64)
        windowed = np.multiply(pairs, self.window, out=self.work[:frames])
        transform = scipy.fft.fft(windowed, axis=1, overwrite_x=True)
        parts = transform.view(np.float32)
        sums = np.multiply(parts, parts, out=self.squares[:frames]) @ self.sums
        product = self.product[:frames]
        np.multiply(transform[:, 0], transform[:, 0], out=product[:, 0])
        twins = transform[:, : -self.bins : -1]
        np.multiply(transform[:, 1 : self.bins], twins, out=product[:, 1:])
        products = product.view(np.float32) @ self.products
        columns = self.bands + 1
        out = np.zeros((4, frames, columns), dtype=np.float32)
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
    bands = _BandPowers(span, low_rate_hz, LOW_BANDS_HZ, mean_rate_hz=low_rate_hz)
    parts = [
        bands(pairs[start : start + LOW_FRAMES_PER_BLOCK])[:, :, :-1]
        for start in range(0, len(pairs), LOW_FRAMES_PER_BLOCK)
    ]
    return np.concatenate(parts, axis=1)


def _slow_powers(low: np.ndarray, low_rate_hz: float) -> np.ndarray:
    """Powers in `SLOW_BANDS_HZ` at the envelope's frames, from means of the low stream.

    The analytic signal's squared magnitude has no ripple at twice the frequency, which at 4 Hz
    would hide where a track ends.
    """
    pairs = low.reshape(-1, LOW_SAMPLES_PER_FRAME // SLOW_SAMPLES_PER_FRAME).mean(axis=1)
    rate_hz = low_rate_hz * SLOW_SAMPLES_PER_FRAME / LOW_SAMPLES_PER_FRAME
    length = scipy.fft.next_fast_len(len(pairs) + int(rate_hz))
    frequency_hz = scipy.fft.rfftfreq(length, 1.0 / rate_hz)
    spectra = scipy.fft.rfft(np.stack([pairs.real, pairs.imag]), n=length, axis=1)
    spectra /= _gain_of_mean(frequency_hz, rate_hz).astype(np.float32)
    out = np.empty((4, len(pairs) // SLOW_SAMPLES_PER_FRAME, len(SLOW_BANDS_HZ)), np.float32)
    for band, (low_hz, high_hz) in enumerate(SLOW_BANDS_HZ):
        gain = 2.0 * _edge(frequency_hz, low_hz) * (1.0 - _edge(frequency_hz, high_hz))
        analytic = np.zeros((2, length), dtype=np.complex64)
        analytic[:, : len(frequency_hz)] = spectra * gain
        left, right = scipy.fft.ifft(analytic, axis=1)[:, : len(pairs)]
        turn = np.zeros(len(pairs), dtype=np.complex64)
        turn[1:] = left[1:] * left[:-1].conj() + right[1:] * right[:-1].conj()
        turning_hz = np.clip(np.angle(turn) * (rate_hz / (2.0 * np.pi)), low_hz, high_hz)
        columns = (
            np.abs(left) ** 2,
            np.abs(right) ** 2,
            (left * right.conj()).real,
            np.abs(turn) * turning_hz,
        )
        for i, column in enumerate(columns):
            out[i, :, band] = column.reshape(-1, SLOW_SAMPLES_PER_FRAME).mean(axis=1)
    return out


def _gain_of_mean(frequency_hz: np.ndarray, mean_rate_hz: float) -> np.ndarray:
    """Gain of the mean over 1 / `mean_rate_hz` seconds."""
    return np.asarray(np.sinc(frequency_hz / mean_rate_hz))


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
