"""Filtering and decimation of a stream in one matrix product.

A frame is the product of the filter with `overlap` hops of the stream. Each hop is multiplied with
all of the filter's `overlap` pieces at once, and a frame is the sum of those products along a
diagonal: every sample is touched once, and only at the low rate is anything computed. A filter that
is turned to a frequency picks a band there and brings it down at the same time (its frames still
turn with the phase that the frequency has at their centres).
"""

import numpy as np

#: Kaiser window (Kaiser & Schafer 1980, IEEE Trans. ASSP-28): attenuation of the stop band, and
#: ripple of the pass band re 1, both in dB; the shape parameter and length follow from it.
ATTENUATION_DB = 80.0
KAISER_BETA = 0.1102 * (ATTENUATION_DB - 8.7)


def kaiser_lowpass(
    pass_hz: float, stop_hz: float, sample_rate_hz: float, multiple: int
) -> np.ndarray:
    """Return the taps of a low-pass filter of unit gain.

    Parameters
    ----------
    pass_hz, stop_hz : float
        Ends of the pass band and start of the stop band (`ATTENUATION_DB` down).
    multiple : int
        The number of taps is rounded up to a multiple of this.

    Returns
    -------
    numpy.ndarray
        Symmetric about its middle.
    """
    transition = 2.0 * np.pi * (stop_hz - pass_hz) / sample_rate_hz
    shortest = (ATTENUATION_DB - 7.95) / (2.285 * transition) + 1.0
    taps = multiple * int(np.ceil(shortest / multiple))
    middle = np.arange(taps) - 0.5 * (taps - 1)
    cutoff = (pass_hz + stop_hz) / sample_rate_hz
    weights = np.sinc(cutoff * middle) * np.kaiser(taps, KAISER_BETA)
    return np.asarray(weights / weights.sum())


def turned(taps: np.ndarray, frequency_hz: float, sample_rate_hz: float) -> np.ndarray:
    """Return complex taps that pass the band around a frequency; a cosine of peak 1 reads 1."""
    middle = np.arange(len(taps)) - 0.5 * (len(taps) - 1)
    return np.asarray(2.0 * taps * np.exp(-2j * np.pi * frequency_hz / sample_rate_hz * middle))


class Decimator:
    """Filter a stream and keep one frame a hop.

    Frame m is the sum over k of taps[k] x[m hop + k]; its centre lies at sample
    m hop + (len(taps) - 1) / 2. Only frames that lie wholly in the stream come out.

    Parameters
    ----------
    taps : numpy.ndarray
        Real or complex, a whole number of hops long.
    hop : int
        Samples between frames.
    channels : int
        Channels of the stream.
    """

    def __init__(self, taps: np.ndarray, hop: int, channels: int) -> None:
        pieces = taps.reshape(-1, hop).T
        self._overlap = pieces.shape[1]
        self._complex = np.iscomplexobj(taps)
        parts = [pieces.real, pieces.imag] if self._complex else [pieces]
        self._parts = len(parts)
        self._weights = np.concatenate(parts, axis=1).astype(np.float32)
        self._hop = hop
        self._rest = np.empty((channels, 0), np.float32)
        shape = (channels, self._overlap - 1)
        self._open = np.zeros(shape, np.complex64 if self._complex else np.float32)
        self._frames: list[np.ndarray] = []

    def push(self, samples: np.ndarray) -> None:
        """Take the next stretch of the stream, shape (channels, n), float32."""
        joined = np.concatenate([self._rest, samples], axis=1) if self._rest.size else samples
        channels, hops = len(joined), joined.shape[1] // self._hop
        self._rest = joined[:, hops * self._hop :].copy()
        whole = joined[:, : hops * self._hop].reshape(channels * hops, self._hop)
        products = (whole @ self._weights).reshape(channels, hops, self._parts, self._overlap)
        sums = products[:, :, 0] + 1j * products[:, :, 1] if self._complex else products[:, :, 0]
        last = self._overlap - 1
        frames = np.zeros((channels, hops + last), self._open.dtype)
        frames[:, :last] = self._open
        for piece in range(self._overlap):
            frames[:, last - piece : last - piece + hops] += sums[:, :, piece]
        self._frames.append(frames[:, :hops])
        self._open = frames[:, hops:]

    def frames(self) -> np.ndarray:
        """All frames so far, shape (channels, frames), float32 or complex64."""
        if not self._frames:
            return np.empty((len(self._open), 0), self._open.dtype)
        return np.concatenate(self._frames, axis=1)[:, self._overlap - 1 :]
