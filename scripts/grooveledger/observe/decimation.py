"""Filtering and decimation in matrix products, of a stream or of a stretch that is there whole.

Of a stream, a frame is the product of the filter with `overlap` hops. Each hop is multiplied with
all of the filter's `overlap` pieces at once, and a frame is the sum of those products along a
diagonal: every sample is touched once, and only at the low rate is anything computed. A filter that
is turned to a frequency picks a band there and brings it down at the same time (its frames still
turn with the phase that the frequency has at their centres).
"""

import numpy as np

from grooveledger.capture.stored_samples import Samples

#: Attenuation of the stop band, and ripple of the pass band relative to 1, both in dB.
ATTENUATION_DB = 80.0
#: Samples of a block of `decimated`, about, and the most frames that begin in one; and how many
#: samples are filtered at a time: they stay in a core's cache.
BLOCK_SAMPLES, BLOCK_FRAMES_MAX = 128, 16
SAMPLES_AT_A_TIME = 1 << 17


def kaiser_lowpass(
    pass_hz: float,
    stop_hz: float,
    sample_rate_hz: float,
    multiple: int,
    attenuation_db: float = ATTENUATION_DB,
) -> np.ndarray:
    """Return the taps of a low-pass filter of unit gain.

    Made with the Kaiser window, whose shape and length follow from the attenuation (Kaiser &
    Schafer 1980, IEEE Trans. ASSP-28).

    Parameters
    ----------
    pass_hz, stop_hz : float
        End of the pass band and start of the stop band.
    multiple : int
        The number of taps is rounded up to a multiple of this.
    attenuation_db : float
        Of the stop band, 50 or more; the ripple of the pass band is as small relative to 1.

    Returns
    -------
    numpy.ndarray
        Symmetric about its middle.
    """
    transition = 2.0 * np.pi * (stop_hz - pass_hz) / sample_rate_hz
    shortest = (attenuation_db - 7.95) / (2.285 * transition) + 1.0
    taps = multiple * int(np.ceil(shortest / multiple))
    reach, beta = 0.5 * (taps - 1), 0.1102 * (attenuation_db - 8.7)
    # Up to the middle; the other half mirrors it.
    place = np.arange((taps + 1) // 2) - reach
    half = np.sinc((pass_hz + stop_hz) / sample_rate_hz * place)
    half *= np.i0(beta * np.sqrt(1.0 - (place / reach) ** 2)) / np.i0(beta)
    weights = np.concatenate([half, half[: taps // 2][::-1]])
    return weights / weights.sum()


def turned(taps: np.ndarray, frequency_hz: float, sample_rate_hz: float) -> np.ndarray:
    """Return complex taps that pass the band around a frequency; a cosine of peak 1 reads 1."""
    middle = np.arange(len(taps)) - 0.5 * (len(taps) - 1)
    return 2.0 * taps * np.exp(-2j * np.pi * frequency_hz / sample_rate_hz * middle)


def decimated(samples: Samples, taps: np.ndarray, every: int) -> np.ndarray:
    """Filter a stretch and keep every n-th sample.

    A block of samples times a matrix of shifted taps gives what it adds to the frames that begin in
    it and in the blocks before it.

    Parameters
    ----------
    samples : Samples, shape (channels, n)
    taps : numpy.ndarray
        Real, at least `every` of them.

    Returns
    -------
    numpy.ndarray, shape (channels, (n - len(taps)) // every + 1), float32
        Sample m is the sum over k of taps[k] x[m every + k].
    """
    channels, length = samples.shape
    frames = max(0, (length - len(taps)) // every + 1)
    per_block = max(1, min(BLOCK_FRAMES_MAX, BLOCK_SAMPLES // every))
    block = per_block * every
    pieces = 1 - (every - len(taps)) // block
    shifted = np.zeros((per_block, pieces * block), np.float32)
    for frame, row in enumerate(shifted):
        row[frame * every : frame * every + len(taps)] = taps
    weights = shifted.reshape(per_block, pieces, block).transpose(2, 1, 0).reshape(block, -1)
    blocks = -(-frames // per_block)
    out = np.empty((channels, blocks, per_block), np.float32)
    at_a_time = max(1, SAMPLES_AT_A_TIME // block)
    for first in range(0, blocks, at_a_time):
        count = min(at_a_time, blocks - first)
        needed = (count + pieces - 1) * block
        part = np.asarray(samples[:, first * block : first * block + needed])
        if part.shape[1] < needed:
            part = np.pad(part, ((0, 0), (0, needed - part.shape[1])))
        products = part.reshape(channels, -1, block) @ weights
        products = products.reshape(channels, -1, pieces, per_block)
        sums = out[:, first : first + count]
        sums[:] = products[:, :count, 0]
        for piece in range(1, pieces):
            sums += products[:, piece : piece + count, piece]
    return out.reshape(channels, -1)[:, :frames]


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
        """Return all frames so far, shape (channels, frames), float32 or complex64."""
        if not self._frames:
            return np.empty((len(self._open), 0), self._open.dtype)
        return np.concatenate(self._frames, axis=1)[:, self._overlap - 1 :]
