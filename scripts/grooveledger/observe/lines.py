"""Power of lines at given frequencies against time, each at as low a sampling rate as will do."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from grooveledger.capture.stored_samples import Samples

#: Each octave is looked at where it lies below this part of a sampling rate halved again and
#: again: what folds into it is then 30 dB down, and of a sweep or a step there at other times.
LEVEL_TOP = 0.2
#: Samples that are halved to at a time: they stay in a core's cache.
HALVED_AT_A_TIME = 1 << 15
#: Frames whose lines are read at a time.
FRAMES_AT_A_TIME = 128


class Level(NamedTuple):
    """Samples at one rate, and the frequencies that are looked at in them.

    Attributes
    ----------
    samples : Samples, shape (2, n)
    rate_hz : float
    first_s : float
        Time of the first of them.
    low_hz, top_hz : float
        The frequencies: above the first, up to the second.
    """

    samples: Samples
    rate_hz: float
    first_s: float
    low_hz: float
    top_hz: float


def octaves(samples: Samples, sample_rate_hz: float, lowest_hz: float) -> Iterator[Level]:
    """Yield samples of shape (2, n) at ever lower rates, down to what a lowest frequency needs."""
    rate_hz, first_s, top_hz = sample_rate_hz, 0.0, 0.5 * sample_rate_hz
    while True:
        low_hz = LEVEL_TOP * 0.5 * rate_hz
        yield Level(samples, rate_hz, first_s, low_hz, top_hz)
        if low_hz < lowest_hz or samples.shape[1] < 4:
            return
        samples = _halved(samples)
        first_s += 0.5 / rate_hz
        rate_hz, top_hz = 0.5 * rate_hz, low_hz


def line_power(level: Level, time_s: np.ndarray, hz: np.ndarray, window_s: float) -> np.ndarray:
    """Return the power of lines by a Hann window, shape (2, times, frequencies); a sine's is 1.

    Nowhere quite none: its logarithm can be taken.
    """
    length = max(8, int(window_s * level.rate_hz))
    cosines, sines = _line_weights(hz / level.rate_hz, length)
    starts = np.rint((time_s - level.first_s) * level.rate_hz).astype(int) - length // 2
    half = len(cosines)
    power = np.empty((2, len(time_s), len(hz)), np.float32)
    for first in range(0, len(starts), FRAMES_AT_A_TIME):
        some = slice(first, first + FRAMES_AT_A_TIME)
        places = starts[some] - starts[first]
        heard = _padded(level.samples, starts[first], places[-1] + length)
        halves = sliding_window_view(heard, half, axis=1)
        ahead, behind = halves[:, places + length // 2], halves[:, places][:, :, ::-1]
        in_common = (ahead + behind).reshape(-1, half) @ cosines
        apart = np.subtract(ahead, behind, out=ahead).reshape(-1, half) @ sines
        power[:, some] = (in_common**2 + apart**2).reshape(2, -1, len(hz))
    return np.maximum(power, np.finfo(np.float32).tiny, out=power)


def _line_weights(cycles_a_sample: np.ndarray, length: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the windowed cosines and sines about the middle of a frame, of its second half.

    What the halves have in common meets cosines only, and what they have not, sines.
    """
    window = np.hanning(length + 2)[1:-1].astype(np.float32)
    window *= 2.0 / window.sum()
    place = np.arange(length // 2, length) - 0.5 * (length - 1)
    cycles = np.outer(place, cycles_a_sample)
    angle = (2.0 * np.pi * (cycles - np.rint(cycles))).astype(np.float32)
    weights = window[length // 2 :, np.newaxis].copy()
    if length % 2:
        weights[0] *= 0.5  # the middle sample is in both halves
    return np.cos(angle) * weights, np.sin(angle) * weights


def _halved(samples: Samples) -> np.ndarray:
    """Return the every second of the samples, lying between two of them, smoothed by 1 3 3 1."""
    pairs = samples.shape[1] // 2
    samples = samples[:, : 2 * pairs]
    halved = np.empty((2, pairs), np.float32)
    for first in range(0, pairs, HALVED_AT_A_TIME):
        part = halved[:, first : first + HALVED_AT_A_TIME]
        # With one sample before them and one after.
        smooth = _padded(samples, 2 * first - 1, 2 * part.shape[1] + 2)
        for _ in range(2):
            smooth = smooth[:, 1:] + smooth[:, :-1]
        np.add(smooth[:, ::2], smooth[:, 1::2], out=part)
        part *= 0.125
    return halved


def _padded(samples: Samples, start: int, length: int) -> np.ndarray:
    """Return samples from a place on, with silence beyond their ends."""
    first, last = max(start, 0), min(start + length, samples.shape[1])
    if last <= first:
        return np.zeros((2, length), np.float32)
    inside = np.asarray(samples[:, first:last])
    if inside.shape[1] == length:
        return inside
    return np.pad(inside, ((0, 0), (first - start, start + length - last)))
