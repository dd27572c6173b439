"""The phase that a tone really has: read along a first guess, smoothed as its noise asks for."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from grooveledger.observe.filtered import FilteredStretch, demodulated
from grooveledger.observe.order_tracking import (
    OVERLAP,
    PhasePath,
    noise_power,
    unwrapped_cycles,
)
from grooveledger.observe.sound import Sound

#: A frame's phase counts where its power is this many times the noise around it.
CLEAR_SNR = 4.0
#: Frames whose noise is compared: the median of this many, a tick being none of them.
NOISE_FRAMES = 64
#: Median relative to mean of the square of a real Gaussian.
SQUARE_MEDIAN = 0.4549
#: Standard deviation that the smoothed phase may have from noise, rad: a reading along it is then
#: 0.1 % high at most (half its square), and its fifth harmonic 2 % low.
PHASE_SIGMA_RAD = 0.04
#: Shortest and longest half-length of the smoothing: a quarter window, so that the fastest flutter
#: that a window passes is followed, and this many seconds.
SHORTEST_WINDOWS, LONGEST_S = 0.25, 0.5
#: The phase is followed up to this many of its frames' windows from a clear frame.
FOLLOWED_WINDOWS = 2.0


@dataclass(frozen=True)
class Followed:
    """A phase path, and where it was read rather than continued.

    Attributes
    ----------
    path : PhasePath
    clear_at : numpy.ndarray
        Sample positions of the frames whose phase was clear of the noise, rising.
    reach : numpy.ndarray
        How far from each of them the path counts as followed, samples.
    """

    path: PhasePath
    clear_at: np.ndarray
    reach: np.ndarray

    def followed(self, position: np.ndarray) -> np.ndarray:
        """Whether the path was followed at sample positions."""
        after = np.clip(np.searchsorted(self.clear_at, position), 0, len(self.clear_at) - 1)
        before = np.maximum(after - 1, 0)
        near = np.zeros(len(position), dtype=bool)
        for frame in (before, after):
            near |= np.abs(position - self.clear_at[frame]) <= self.reach[frame]
        return near


def followed_phase(
    sound: Sound, path: PhasePath, channel: int, stretches: Sequence[FilteredStretch]
) -> Followed | None:
    """Correct a path by the phase that one channel's fundamental has along it.

    Parameters
    ----------
    sound : Sound
    path : PhasePath
        A guess, off by less than a window passes: four cycles a window.
    channel : int
        The channel that is louder.
    stretches : sequence of FilteredStretch
        Where, and with which windows; rising in time.

    Returns
    -------
    Followed or None
        The fundamental is real and positive along the path; None where its phase is nowhere clear.
    """
    one = replace(sound, samples=sound.samples[channel : channel + 1, :])
    at, z, snr, window = [], [], [], []
    for stretch in stretches:
        frames = demodulated(one, [path], [(1,)], stretch)
        if frames.span.frames < 2:
            continue
        here = frames.z[:, 0, 0].astype(np.complex128)
        z.append(here)
        at.append(one.position_of(frames.sound, frames.span.centres))
        snr.append(_snr(here))
        window.append(np.full(len(here), stretch.window_s * sound.sample_rate_hz))
    if not z:
        return None
    position, turning = np.concatenate(at), np.concatenate(z)
    ratio, windows = np.concatenate(snr), np.concatenate(window)
    clear = ratio > CLEAR_SNR
    if np.count_nonzero(clear) < OVERLAP:
        return None
    position, turning, ratio, windows = (x[clear] for x in (position, turning, ratio, windows))
    half = _half_lengths(ratio, windows, sound.sample_rate_hz)
    refined = _plus(path, position, unwrapped_cycles(turning), half)
    # Smoothed, what was read lags behind fast wow; from what is left the rest is read.
    turned = refined.at(position)[0] - path.at(position)[0]
    left = unwrapped_cycles(turning * np.exp(-2j * np.pi * turned))
    refined = _plus(refined, position, left - np.round(np.median(left)), half)
    return Followed(refined, position, FOLLOWED_WINDOWS * windows)


def _snr(z: np.ndarray) -> np.ndarray:
    """Return the power of frames over that of the noise about them.

    The noise in step with the tone, and as much again across it: the amplitude's own scatter, which
    a phase that still turns does not disturb.
    """
    amplitude = np.abs(z)
    noise = 2.0 * noise_power(amplitude)
    block = min(NOISE_FRAMES, len(noise))
    blocks = len(noise) // block
    median = np.median(noise[: blocks * block].reshape(blocks, block), axis=1)
    middle = block * (np.arange(blocks) + 0.5)
    usual = np.interp(np.arange(len(noise)), middle, median) / SQUARE_MEDIAN
    smooth = np.convolve(amplitude**2, np.ones(OVERLAP) / OVERLAP, mode="same")
    return np.minimum(smooth, amplitude**2) / np.maximum(usual, np.finfo(np.float64).tiny)


def _half_lengths(snr: np.ndarray, windows: np.ndarray, rate: float) -> np.ndarray:
    """Return the half-length of the smoothing at each frame, samples.

    Noise of 1 / (2 snr) rad^2 a frame, independent every half window, averaged over twice the
    half-length.
    """
    half = 0.5 * windows * 0.25 / (snr * PHASE_SIGMA_RAD**2)
    return np.clip(half, SHORTEST_WINDOWS * windows, LONGEST_S * rate)


def _plus(path: PhasePath, at: np.ndarray, cycles: np.ndarray, half: np.ndarray) -> PhasePath:
    """Return the path with a correction, smoothed; beyond its ends it goes on straight."""
    knots = path.origin + np.arange(len(path.cycles)) * path.spacing
    first = int(np.searchsorted(knots, at[0]))
    last = max(int(np.searchsorted(knots, at[-1], side="right")), first + 2)
    inside = knots[first:last]
    raw = np.interp(inside, at, cycles)
    count = len(raw)
    reach = np.clip(np.rint(np.interp(inside, at, half) / path.spacing).astype(int), 1, count - 1)
    # At the ends a straight line through as much as is averaged elsewhere.
    index = np.arange(count, dtype=float)
    head, tail = min(2 * int(reach[0]) + 1, count), min(2 * int(reach[-1]) + 1, count)
    slope0, height0 = np.polyfit(index[:head], raw[:head], 1)
    slope1, height1 = np.polyfit(index[count - tail :], raw[count - tail :], 1)
    total = np.concatenate([[0.0], np.cumsum(raw)])
    within = np.minimum(reach, np.minimum(np.arange(count), count - 1 - np.arange(count)))
    places = np.arange(count)
    smooth = (total[places + within + 1] - total[places - within]) / (2 * within + 1)
    head, tail = min(int(reach[0]), count), min(int(reach[-1]), count)
    smooth[:head] = height0 + slope0 * index[:head]
    smooth[count - tail :] = height1 + slope1 * index[count - tail :]
    before = height0 + slope0 * np.arange(-first, 0)
    after = height1 + slope1 * np.arange(count, count + len(knots) - last)
    correction = np.concatenate([before, smooth, after])
    return PhasePath(path.spacing, path.cycles + correction, path.origin)
