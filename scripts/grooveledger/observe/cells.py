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
    referred,
)
from grooveledger.physics.noise_floor import HEARD_RE_FLOOR

CHANNELS = ("left", "right")
#: Noise alone is 1.5 times its median on average. Frames in which n components' noise exceeds that
#: by this over the root of n, in medians, hold a tick and are left out of averages (by chance one
#: in some thousands). No component counts for more than this many times its median.
TICK_EXCESS, TICK_RATIO_MAX = 11.0, 25.0
#: Part of its reading that a component's noise may be without being taken for a tick, for each
#: second of the window: a long one dilutes a tick, and a sweep's own course changes more in it.
TICK_UNNOTICED_PER_S = 0.07
#: This many frames either side of such a one are left out too.
TICK_REACH = OVERLAP // 4
#: Noise is averaged over this many frames either side, 16 windows, which leaves about 0.8 dB of
#: scatter where only one quadrature is read, 0.6 dB where both are; in a sweep over this many
#: octaves at most (rumble is steep), but over no fewer frames than the least.
NOISE_REACH, NOISE_REACH_LEAST = 16 * OVERLAP, 3 * OVERLAP
NOISE_OCTAVES = 0.25
#: A cell's own noise counts where it is this many times that around it.
OWN_NOISE_RATIO = 4.0
#: Frames are turned to the reference's phase one by one where its power is this many times the
#: noise: that raises a reading by 0.01 % at most.
TURNED_SNR = 2500.0
#: A cell of a sweep is read where at least this part of its frames is free of ticks.
CELL_KEPT = 0.4


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
    """Return the frames whose windows (or else whose centres alone) lie between two times."""
    hop = max(1, round(window_s * rate / OVERLAP))
    half = hop * OVERLAP // 2 if whole_windows else 0
    first = int(np.ceil(begin_s * rate)) + half
    return Span(first, hop, max(0, (int(end_s * rate) - half - first) // hop + 1))


def played_hz(path: PhasePath, span: Span, rate: float) -> np.ndarray:
    """Return the played frequency at the centres of a span's frames."""
    return path.at(span.centres.astype(np.float64))[1] * rate


def averaged(
    z: np.ndarray,
    span: Span,
    sample_rate_hz: float,
    frequency_hz: np.ndarray,
    edges: np.ndarray,
    components: Sequence[Sequence[int]],
    reference: int,
    followed: np.ndarray,
    ticked: np.ndarray,
    inside: slice,
    is_steady: bool,
) -> dict[str, np.ndarray]:
    """Return the mean over cells of frames, as columns: cells x components x channels, flattened.

    Frames are averaged as complex numbers along the path that they were read along: noise is not
    rectified.

    Parameters
    ----------
    z : numpy.ndarray, shape (frames, components, channels)
        Complex amplitudes along paths on which the fundamentals of the reference channel are real.
    frequency_hz : numpy.ndarray, shape (frames,)
        Played frequency of the fundamental.
    edges : numpy.ndarray of int, shape (cells,)
        First frame of each cell, counted from the first frame inside.
    components : sequence of sequences of int
        As given to `demodulate`: the fundamentals first.
    reference : int
        The channel that the path follows.
    followed : numpy.ndarray of bool, shape (frames,)
        Where it follows it, rather than being continued through noise: elsewhere a reading is a
        bound.
    ticked : numpy.ndarray of bool, shape (frames,)
        Frames in which a tick is known to be.
    inside : slice
        Frames that are averaged; of those beside them noise and ticks are read.
    is_steady : bool
        Whether this is one cell of a steady tone, which is always written.

    Returns
    -------
    dict
        Columns of the orders table that follow from the frames; `time_s` from the start of the
        samples. A sweep's cell that ticks fill is left out.
    """
    noise = noise_power(z)
    # The path follows what noise the reference's fundamental has across it: in step with it there
    # is as much again.
    for fundamental in range(len(components[0])):
        in_step = noise_power(z[:, fundamental, reference].real)
        noise[:, fundamental, reference] = 2.0 * in_step
    free = _without_ticks(z, noise, OVERLAP * span.hop / sample_rate_hz) & ~ticked
    keep = free.astype(np.float64)[inside]
    whole = np.diff(np.append(edges, len(keep)))
    spoilt = np.add.reduceat(keep, edges) < CELL_KEPT * whole
    # A steady tone that ticks fill is averaged whole: its noise then says what it is worth.
    if is_steady and spoilt[0]:
        keep[:] = 1.0
        spoilt[:] = False
        free[:] = True
    reach = _noise_reach(frequency_hz)
    usual = _smoothed(noise, free * _free_beside(ticked), reach)[inside]
    z, noise, frequency_hz = z[inside], noise[inside], frequency_hz[inside]
    followed, centres = followed[inside], span.centres[inside]
    keep = np.where(np.repeat(spoilt, whole), 1.0, keep)
    counted = np.add.reduceat(keep, edges)
    gain = averaging_gain(counted)

    def cell_mean(values: np.ndarray) -> np.ndarray:
        shape = (-1,) + (1,) * (values.ndim - 1)
        sums = np.add.reduceat(values * keep.reshape(shape), edges, axis=0)
        return sums / counted.reshape(shape)

    # What little the path leaves of the phase counts n times at order n: where noise does not mind,
    # it is taken off.
    power = np.abs(z[:, : len(components[0]), reference]) ** 2
    clear = np.all(power > TURNED_SNR * usual[:, : len(components[0]), reference], axis=1)
    z = np.where(clear[:, None, None], referred(z, components, reference), z)
    mean = referred(cell_mean(z), components, reference)
    amplitude = np.abs(mean).astype(np.float64)
    around, own = cell_mean(usual), cell_mean(noise)
    # Of few windows the mean is hardly known: what a cell shows by itself counts where it is more.
    counts = OWN_NOISE_RATIO if reach == NOISE_REACH or is_steady else 1.0
    floor = np.sqrt(np.where(own > counts * around, own, around) * gain[:, None, None])
    lost = cell_mean(followed.astype(np.float64)) < 0.5
    by_cell, by_component, by_channel = np.indices(amplitude.shape).reshape(3, -1)
    orders = np.array([component[0] for component in components])
    low_orders = np.array([sum(component[1:]) for component in components])
    columns = {
        "channel": np.array(CHANNELS, dtype=object)[by_channel],
        "order": orders[by_component],
        "low_order": low_orders[by_component],
        "time_s": cell_mean(centres / sample_rate_hz)[by_cell],
        "played_hz": np.exp(cell_mean(np.log(frequency_hz)))[by_cell],
        "amplitude_fs": amplitude.ravel(),
        "phase_deg": np.degrees(np.angle(mean)).ravel().astype(np.float64),
        "floor_fs": floor.ravel(),
        "bandwidth_hz": (noise_bandwidth_hz(span.hop, sample_rate_hz) * gain)[by_cell],
        "limited": (amplitude <= HEARD_RE_FLOOR * floor).ravel() | lost[by_cell],
    }
    return {name: values[~spoilt[by_cell]] for name, values in columns.items()}


def _free_beside(ticked: np.ndarray) -> np.ndarray:
    """Return the frames whose noise is read from frames without a known tick, one window away."""
    lag = min(OVERLAP, (len(ticked) - 1) // 2)
    if lag < 1 or not ticked.any():
        return np.ones(len(ticked))
    beside = np.pad(ticked, lag, mode="edge")
    return np.asarray(~(beside[: -2 * lag] | beside[2 * lag :]), dtype=float)


def _noise_reach(frequency_hz: np.ndarray) -> int:
    """Return the frames to either side over which the noise of a frame is averaged."""
    octaves = abs(float(np.log2(frequency_hz[-1] / frequency_hz[0]))) / len(frequency_hz)
    reach = NOISE_OCTAVES / max(octaves, np.finfo(float).tiny)
    return int(np.clip(reach, NOISE_REACH_LEAST, NOISE_REACH))


def _smoothed(noise: np.ndarray, keep: np.ndarray, reach: int) -> np.ndarray:
    """Return the noise power averaged over the frames about each that hold no tick.

    Near an end, where those are fewer, no less than over as many frames as elsewhere: the noise of
    few windows is by chance far too low once in a hundred times.
    """
    counted = np.concatenate([[0.0], np.cumsum(keep)])
    sums = np.cumsum(noise * keep[:, None, None], axis=0)
    sums = np.concatenate([np.zeros_like(sums[:1]), sums])

    frames = np.arange(len(keep))
    first = np.maximum(frames - reach, 0)
    last = np.minimum(frames + reach + 1, len(keep))
    count = counted[last] - counted[first]
    mean = (sums[last] - sums[first]) / np.maximum(count, 1.0)[:, None, None]
    whole = min(2 * reach + 1, len(keep))
    for end, ahead, behind in ((slice(0, reach), whole, 0), (slice(-reach, None), -1, -1 - whole)):
        there = counted[ahead] - counted[behind]
        if there > 0:
            mean[end] = np.maximum(mean[end], (sums[ahead] - sums[behind]) / there)
    return np.where((count > 0)[:, None, None], mean, noise)


def _without_ticks(z: np.ndarray, noise: np.ndarray, window_s: float) -> np.ndarray:
    """Return the frames in whose neighbourhood the components' noise does not stand out together.

    A tick is loud in all components at once; a mains line that a harmonic crosses, in one. A tick
    reaches a little further than the frames that it makes loud: their neighbours go too.
    """
    power = np.maximum(noise.reshape(len(noise), -1), np.finfo(np.float32).tiny)
    # Noise that falls or rises steadily with frequency is made level: its median is then that of
    # every part.
    place = np.arange(len(power)) - 0.5 * (len(power) - 1)
    level = np.log(power)
    slope = place @ level / max(float(place @ place), 1.0)
    usual = np.exp(np.median(level - np.outer(place, slope), axis=0) + np.outer(place, slope))
    # What a tick may change unnoticed: in a quiet capture it is the sweep's own course that counts
    # as noise.
    unnoticed = (TICK_UNNOTICED_PER_S * window_s * np.abs(z).reshape(len(z), -1)) ** 2
    ratio = power / np.maximum(usual, unnoticed)
    # Components that show a noise: near half the sampling rate they are few.
    shows = usual >= unnoticed
    count = np.maximum(np.count_nonzero(shows, axis=1), 1)
    mean = np.sum(np.minimum(ratio, TICK_RATIO_MAX) * shows, axis=1) / count
    spoilt = mean >= 1.5 + TICK_EXCESS / np.sqrt(count)
    reach = np.ones(2 * TICK_REACH + 1, dtype=int)
    return np.convolve(spoilt, reach)[TICK_REACH : TICK_REACH + len(spoilt)] == 0
