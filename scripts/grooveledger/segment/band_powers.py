"""Band powers of two channels, at envelope frames.

In the treble the two channels travel together as one complex signal, left + j right: one complex
transform then gives both (for Z = FFT(l + j r), with A = Z[k] and B = Z[-k],
|L|^2 + |R|^2 = (|A|^2 + |B|^2) / 2, |L|^2 - |R|^2 = Re(A B), Re(L R*) = Im(A B) / 2).
"""

from collections.abc import Sequence

import numpy as np

from grooveledger.capture.fft_length import fast_length

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
#: Frames of the low stream's transform made at a time.
LOW_FRAMES_PER_BLOCK = 512
#: Part of both channels' power that rounding may put into a channel that holds none.
ROUNDING = 1e-6


class BandPowers:
    """Band powers of stretches of the complex pair left + j right, by a Hann-windowed transform."""

    def __init__(
        self, span: int, sample_rate_hz: float, bands_hz: Sequence[tuple[float, float]]
    ) -> None:
        window = _hann(span)
        self.window = window.astype(np.float32)
        self.bins = 1 + int(np.searchsorted(_bin_hz(span, sample_rate_hz), bands_hz[-1][1]))
        self.bins = min(self.bins, (span + 1) // 2)
        frequency_hz = _bin_hz(span, sample_rate_hz)[: self.bins]
        # A sine of amplitude a has power a^2: a^2 / 4 of it, times the window's, in positive bins.
        scale = 4.0 / np.sum(window**2)
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
        self.work = np.empty((0, span), dtype=np.complex64)

    def __call__(self, pairs: np.ndarray) -> np.ndarray:
        """Return the powers of pairs of shape (frames, span).

        Left, right, cross, moment by frame and band.

        One more column than bands holds the power of everything (left and right only).
        """
        frames = len(pairs)
        if frames > len(self.work):
            # Kept from call to call: fresh memory costs more than the arithmetic.
            self.work = np.empty((frames, len(self.window)), dtype=np.complex64)
            self.squares = np.empty((frames, 2 * len(self.window)), dtype=np.float32)
            self.product = np.empty((frames, self.bins), dtype=np.complex64)
        windowed = np.multiply(pairs, self.window, out=self.work[:frames])
        # Without `norm` numpy transforms in double precision.
        transform = np.fft.fft(windowed, axis=1, out=windowed, norm="ortho")
        parts = transform.view(np.float32)
        sums = np.multiply(parts, parts, out=self.squares[:frames]) @ self.sums
        product = self.product[:frames]
        np.multiply(transform[:, 0], transform[:, 0], out=product[:, 0])
        twins = transform[:, : -self.bins : -1]
        np.multiply(transform[:, 1 : self.bins], twins, out=product[:, 1:])
        products = product.view(np.float32) @ self.products
        columns = self.bands + 1
        out = np.zeros((4, frames, columns), dtype=np.float32)
        least = sums[:, :columns] * np.float32(1.0 - ROUNDING)
        np.maximum(least + products[:, :columns], 0.0, out=out[0])
        np.maximum(least - products[:, :columns], 0.0, out=out[1])
        out[2, :, :-1] = products[:, columns:]
        out[3, :, :-1] = sums[:, columns:]
        return out


class LinePowers:
    """Band powers of stretches of one channel and another, by the few lines that the bands hold.

    Products with windowed cosines and sines, which take less time than a transform of all lines.
    The samples are means over their own interval.
    """

    def __init__(
        self, span: int, sample_rate_hz: float, bands_hz: Sequence[tuple[float, float]]
    ) -> None:
        window = _hann(span)
        bin_hz = _bin_hz(span, sample_rate_hz)[: span // 2]
        inside = np.array([(bin_hz > low) & (bin_hz < high) for low, high in bands_hz], dtype=float)
        bins = np.flatnonzero(inside.any(axis=0))
        turns = 2.0 * np.pi * np.outer(np.arange(span) / span, bins)
        lines = window[:, None] * np.hstack([np.cos(turns), np.sin(turns)])
        # A sine of amplitude a has power a^2: a^2 / 4 of it, times the window's, in its line; what
        # the mean has taken of it is made up for.
        weights = 4.0 / (span * np.sum(window**2)) * inside[:, bins].T
        weights /= _gain_of_mean(bin_hz[bins], sample_rate_hz)[:, None] ** 2
        self.lines = lines.astype(np.float32)
        self.weights = np.tile(weights, (2, 1)).astype(np.float32)
        self.moments = np.tile(weights * bin_hz[bins, None], (2, 1)).astype(np.float32)

    def __call__(self, left: np.ndarray, right: np.ndarray) -> np.ndarray:
        """Return left, right, cross, moment by frame and band, of stretches (frames, span)."""
        left, right = left @ self.lines, right @ self.lines
        cross = (left * right) @ self.weights
        left *= left
        right *= right
        moment = (left + right) @ self.moments
        left, right = left @ self.weights, right @ self.weights
        # Less what the treble's powers are less, so that a tone reads alike in both.
        lost = np.float32(0.5 * ROUNDING) * (left + right)
        return np.stack(
            [np.maximum(left - lost, 0.0), np.maximum(right - lost, 0.0), cross, moment]
        )


def _hann(span: int) -> np.ndarray:
    return 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(span) + 0.5) / span)


def _bin_hz(span: int, sample_rate_hz: float) -> np.ndarray:
    return np.arange(span) * (sample_rate_hz / span)


def low_powers(low: np.ndarray, low_rate_hz: float) -> np.ndarray:
    """Return the powers in `LOW_BANDS_HZ` at the envelope's frames, from the low stream."""
    hop = LOW_SAMPLES_PER_FRAME
    span = LOW_SPAN_FRAMES * hop
    beside = np.zeros((span - hop) // 2, dtype=low.dtype)
    padded = np.concatenate([beside, low, beside])
    stretches = np.lib.stride_tricks.sliding_window_view(padded, span)[::hop]
    powers = LinePowers(span, low_rate_hz, LOW_BANDS_HZ)
    parts = []
    for start in range(0, len(stretches), LOW_FRAMES_PER_BLOCK):
        pairs = stretches[start : start + LOW_FRAMES_PER_BLOCK]
        parts.append(powers(pairs.real.copy(), pairs.imag.copy()))
    return np.concatenate(parts, axis=1)


def slow_powers(low: np.ndarray, low_rate_hz: float) -> np.ndarray:
    """Return the powers in `SLOW_BANDS_HZ` at the envelope's frames, from means of the low stream.

    The analytic signal's squared magnitude has no ripple at twice the frequency, which at 4 Hz
    would hide where a track ends.
    """
    pairs = low.reshape(-1, LOW_SAMPLES_PER_FRAME // SLOW_SAMPLES_PER_FRAME).mean(axis=1)
    rate_hz = low_rate_hz * SLOW_SAMPLES_PER_FRAME / LOW_SAMPLES_PER_FRAME
    length = fast_length(len(pairs) + int(rate_hz))
    frequency_hz = np.fft.rfftfreq(length, 1.0 / rate_hz)
    spectra = np.fft.rfft(np.stack([pairs.real, pairs.imag]), n=length, axis=1)
    spectra /= _gain_of_mean(frequency_hz, rate_hz).astype(np.float32)
    out = np.empty((4, len(pairs) // SLOW_SAMPLES_PER_FRAME, len(SLOW_BANDS_HZ)), np.float32)
    for band, (low_hz, high_hz) in enumerate(SLOW_BANDS_HZ):
        gain = 2.0 * _edge(frequency_hz, low_hz) * (1.0 - _edge(frequency_hz, high_hz))
        analytic = np.zeros((2, length), dtype=np.complex64)
        analytic[:, : len(frequency_hz)] = spectra * gain
        left, right = np.fft.ifft(analytic, axis=1)[:, : len(pairs)]
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
    """Return the gain of the mean over 1 / `mean_rate_hz` seconds."""
    return np.sinc(frequency_hz / mean_rate_hz)


def _edge(frequency_hz: np.ndarray, edge_hz: float) -> np.ndarray:
    """Return the raised-cosine step from 0 to 1, half an octave wide, centred on `edge_hz`."""
    octaves = np.log2(np.maximum(frequency_hz, edge_hz / 4.0) / edge_hz)
    return 0.5 + 0.5 * np.sin(np.pi * np.clip(2.0 * octaves, -0.5, 0.5))
