"""Frames of a tracking filter averaged into readings: rows of the orders table."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from grooveledger.observe.order_tracking import (
    OVERLAP,
    PhasePath,
    averaging_gain,
    noise_bandwidth_hz,
    noise_power,
)
from grooveledger.physics.noise_floor import HEARD_RE_FLOOR

CHANNELS = ("left", "right")
#: Frames whose noise is so many times the median hold a tick and are left out of averages.
TICK_NOISE_RATIO = 12.0
#: So many frames either side of such a one are left out too.
TICK_REACH = OVERLAP // 4


class Span(NamedTuple):
    """A run of frames of one hop."""

    first: int
    hop: int
    frames: int

    @property
    def centres(self) -> np.ndarray:
        """Frame centres, in samples."""
        return self.first + self.hop * np.arange(self.frames)


def span_between(
    begin_s: float, end_s: float, window_s: float, rate: float, whole_windows: bool = True
) -> Span:
    """Frames whose windows (or else whose centres alone) lie between two times."""
    hop = max(1, round(window_s * rate / OVERLAP))
    half = hop * OVERLAP // 2 if whole_windows else 0
    first = int(np.ceil(begin_s * rate)) + half
    return Span(first, hop, max(0, (int(end_s * rate) - half - first) // hop + 1))


def played_hz(path: PhasePath, span: Span, rate: float) -> np.ndarray:
    """Played frequency at the centres of a span's frames."""
    return np.asarray(path.at(span.centres.astype(np.float64))[1] * rate)


def averaged(
    z: np.ndarray,
    span: Span,
    sample_rate_hz: float,
    frequency_hz: np.ndarray,
    edges: np.ndarray,
    orders: Sequence[int],
    low_orders: Sequence[int],
) -> dict[str, np.ndarray]:
    """Mean over cells of frames, as columns: cells x components x channels, flattened.

    Parameters
    ----------
    z : numpy.ndarray, shape (frames, components, channels)
        Complex amplitudes, referred to the fundamental.
    frequency_hz : numpy.ndarray, shape (frames,)
        Played frequency of the fundamental.
    edges : numpy.ndarray of int, shape (cells,)
        First frame of each cell.

    Returns
    -------
    dict
        Columns of the orders table that the frames tell; `time_s` from the start of the samples.
    """
    noise = noise_power(z)
    keep = _without_ticks(noise).astype(np.float64)
    whole = np.diff(np.append(edges, len(keep)))
    # A cell that ticks fill is averaged whole: its noise then says what it is worth.
    filled = np.add.reduceat(keep, edges) < 0.5 * whole
    keep = np.where(np.repeat(filled, whole), 1.0, keep)
    counted = np.add.reduceat(keep, edges)
    gain = averaging_gain(counted)

    def cell_mean(values: np.ndarray) -> np.ndarray:
        shape = (-1,) + (1,) * (values.ndim - 1)
        sums = np.add.reduceat(values * keep.reshape(shape), edges, axis=0)
        return np.asarray(sums / counted.reshape(shape))

    mean = cell_mean(z)
    amplitude = np.abs(mean).astype(np.float64)
    floor = np.sqrt(cell_mean(noise) * gain[:, None, None])
    by_cell, by_component, by_channel = np.indices(amplitude.shape).reshape(3, -1)
    return {
        "channel": np.array(CHANNELS, dtype=object)[by_channel],
        "order": np.array(orders)[by_component],
        "low_order": np.array(low_orders)[by_component],
        "time_s": cell_mean(span.centres / sample_rate_hz)[by_cell],
        "played_hz": np.exp(cell_mean(np.log(frequency_hz)))[by_cell],
        "amplitude_fs": amplitude.ravel(),
        "phase_deg": np.degrees(np.angle(mean)).ravel().astype(np.float64),
        "floor_fs": floor.ravel(),
        "bandwidth_hz": (noise_bandwidth_hz(span.hop, sample_rate_hz) * gain)[by_cell],
        "limited": (amplitude <= HEARD_RE_FLOOR * floor).ravel(),
    }


def _without_ticks(noise: np.ndarray) -> np.ndarray:
    """Frames in whose neighbourhood no more than half of the components' noise stands far out.

    A tick reaches a little further than the frames that it makes loud: their neighbours go too.
    """
    power = noise.reshape(len(noise), -1)
    usual = np.median(power, axis=0)
    loud = power > TICK_NOISE_RATIO * np.maximum(usual, np.finfo(np.float64).tiny)
    spoilt = np.mean(loud, axis=1) >= 0.5
    reach = np.ones(2 * TICK_REACH + 1, dtype=int)
    return np.asarray(np.convolve(spoilt, reach)[TICK_REACH : TICK_REACH + len(spoilt)] == 0)
