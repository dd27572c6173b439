"""Ticks of a silent groove: detected by their treble, counted once each, and bridged."""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np

#: Length of a cell, s: the treble power of each is compared with the median of them all.
CELL_S = 0.25e-3
#: Lag of the second difference that hears ticks, s: it peaks at 8 kHz and falls by 12 dB an octave
#: below, so that rumble and hum do not reach it.
LAG_S = 62.5e-6
#: Cells over the threshold that are closer than this belong to one tick, s.
ONE_TICK_S = 3e-3
#: Spoilt before and after a cell over the threshold, s: the attack; the ringing of the cartridge
#: and twice the longest time constant of the replay equalisation (3180 us, IEC 60098).
SPOILT_BEFORE_S, SPOILT_AFTER_S = 0.5e-3, 6.5e-3
#: Sound before and after a tick whose means are joined by a straight line across it, s.
ANCHOR_S = 1e-3


class Bridged(NamedTuple):
    """A stretch of groove with its ticks bridged.

    Attributes
    ----------
    samples : numpy.ndarray, shape (2, n), float32
    spoilt : numpy.ndarray of bool, shape (n / cell,)
        Cells that were bridged.
    ticks : int
        Ticks that begin in the stretch.
    raw : numpy.ndarray, shape (2, n), float32
        The stretch as it was recorded, ticks and all.
    """

    samples: np.ndarray
    spoilt: np.ndarray
    ticks: int
    raw: np.ndarray


def cell_length(sample_rate_hz: float) -> int:
    """Return the samples of a cell."""
    return round(CELL_S * sample_rate_hz)


def bridged_stretches(
    blocks: Iterable[np.ndarray], sample_rate_hz: float, threshold_db: float, margin: int
) -> Iterator[Bridged]:
    """Yield a silent groove with its ticks bridged.

    Parameters
    ----------
    blocks : iterable of numpy.ndarray
        float32, shape (frames, 2), as `audio.blocks` gives them.
    threshold_db : float
        Treble power of a cell relative to the median of the cells around it that makes it a tick.
    margin : int
        Samples by which the output lags, so that a tick near a block's end is seen whole. Every
        stretch is a multiple of it long; what is left over at the end is dropped.
    """
    rate = sample_rate_hz
    held = np.empty((2, 0), np.float32)
    begin = 0
    for block in blocks:
        held = np.concatenate([held, block.T], axis=1)
        whole = held.shape[1] // margin * margin
        if whole <= begin + margin:
            continue
        yield _stretch(held[:, :whole], begin, whole - margin, rate, threshold_db)
        keep = max(0, whole - 2 * margin)
        held, begin = held[:, keep:], whole - margin - keep
    whole = held.shape[1] // margin * margin
    if whole > begin:
        yield _stretch(held[:, :whole], begin, whole, rate, threshold_db)


def _stretch(
    samples: np.ndarray, begin: int, end: int, rate: float, threshold_db: float
) -> Bridged:
    cell = cell_length(rate)
    loud = loud_cells(samples, rate, threshold_db)
    spoilt = spread(loud, round(SPOILT_BEFORE_S * rate / cell), round(SPOILT_AFTER_S * rate / cell))
    within = slice(begin // cell, end // cell)
    first = loud & ~spread(_later(loud), 0, round(ONE_TICK_S * rate / cell) - 1)
    raw = samples[:, begin:end]
    if spoilt.any():
        samples = samples.copy()
        bridge(samples, spoilt, cell, round(ANCHOR_S * rate))
    return Bridged(samples[:, begin:end], spoilt[within], int(np.count_nonzero(first[within])), raw)


def loud_cells(samples: np.ndarray, sample_rate_hz: float, threshold_db: float) -> np.ndarray:
    """Return in which cells either channel's treble stands out.

    Parameters
    ----------
    samples : numpy.ndarray, shape (2, n), float32

    Returns
    -------
    numpy.ndarray of bool, shape (n / cell,)
    """
    cell, lag = cell_length(sample_rate_hz), round(LAG_S * sample_rate_hz)
    cells = samples.shape[1] // cell
    treble = np.zeros((2, cells * cell), np.float32)
    inner = treble[:, lag : samples.shape[1] - lag]
    width = inner.shape[1]
    np.add(samples[:, :width], samples[:, 2 * lag : 2 * lag + width], out=inner)
    inner -= 2.0 * samples[:, lag : lag + width]
    shaped = treble.reshape(2, cells, cell)
    power = np.einsum("cij,cij->ci", shaped, shaped)
    usual = np.median(power, axis=1, keepdims=True)
    return (power > 10.0 ** (threshold_db / 10.0) * usual).any(axis=0)


def spread(marks: np.ndarray, before: int, after: int) -> np.ndarray:
    """Return the marks widened by this many places before and after each."""
    edges = np.zeros(len(marks) + 1, np.int64)
    places = np.flatnonzero(marks)
    np.add.at(edges, np.maximum(places - before, 0), 1)
    np.add.at(edges, np.minimum(places + after + 1, len(marks)), -1)
    return np.cumsum(edges[:-1]) > 0


def bridge(samples: np.ndarray, spoilt: np.ndarray, cell: int, anchor: int) -> None:
    """Draw straight lines, in place, over the spoilt cells, between the means beside them."""
    edges = np.flatnonzero(np.diff(spoilt, prepend=False, append=False)).reshape(-1, 2) * cell
    joined = np.flatnonzero(edges[1:, 0] - edges[:-1, 1] >= anchor)
    starts = edges[np.concatenate([[0], joined + 1]), 0]
    stops = edges[np.concatenate([joined, [len(edges) - 1]]), 1]
    for start, stop in zip(starts, stops, strict=True):
        beside = samples[:, max(start - anchor, 0) : start], samples[:, stop : stop + anchor]
        means = [part.mean(axis=1, keepdims=True) for part in beside if part.shape[1]]
        if not means:
            continue
        along = (np.arange(stop - start, dtype=np.float32) + 0.5 * (anchor + 1)) / (
            stop - start + anchor
        )
        samples[:, start:stop] = means[0] + (means[-1] - means[0]) * along


def _later(marks: np.ndarray) -> np.ndarray:
    return np.concatenate([[False], marks[:-1]])


def bridged_power(frequency_hz: np.ndarray) -> np.ndarray:
    """Return the power that a stationary noise keeps, on average, where it is bridged.

    A line between the means of two anchors, a tick apart: at u of the way across it is
    (1 - u) a + u b, of power (1 - u)^2 + u^2 + 2 u (1 - u) cos(phase from a to b).
    """
    apart_s = SPOILT_BEFORE_S + CELL_S + SPOILT_AFTER_S + ANCHOR_S
    line = (2.0 + np.cos(2.0 * np.pi * frequency_hz * apart_s)) / 3.0
    return line * np.sinc(frequency_hz * ANCHOR_S) ** 2
