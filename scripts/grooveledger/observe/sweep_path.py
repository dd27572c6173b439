"""A sweep's played phase and its ends, from the sound: the ridge, then the phase along it."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from grooveledger.observe.filtered import FilteredStretch, demodulated
from grooveledger.observe.order_tracking import OVERLAP, PhasePath
from grooveledger.observe.reading import NYQUIST_PART
from grooveledger.observe.sound import Sound
from grooveledger.observe.sweep_ridge import Axis, Ridge, find_ridge

#: Spacing of a path's knots, s: a sweep is a cubic to far better than a thousandth of a cycle in
#: it.
KNOT_S = 1e-3
#: Frames of a ridge over which the middle one of five is averaged, either side.
RIDGE_REACH = 4
#: Window that an end is looked for with: this many cycles (its own image is then out of the
#: window's main lobe), and at least so long.
END_CYCLES, END_WINDOW_S = 3.0, 2.5e-3
#: An end is looked for so far outside and inside of the ridge's, s, or in this many windows.
END_OUTSIDE_S, END_INSIDE_S = 0.5, 1.4
END_WINDOWS = 12
#: There the amplitude falls below this part of its median from one window further in on (a window
#: half in the sweep reads half) for a whole window, ...
END_PART, END_DB = 0.5, 6.0
END_LEVEL_FRAMES = 4 * OVERLAP
#: ... and the median outside, over this many frames, is no more than this part of it: less than
#: what noise alone would show.
OUTSIDE_FRAMES = 8 * OVERLAP
END_CLEAR = 0.35
#: A cut may be faded in and out. Beyond this time from its edge it is at its level, or once it has
#: gone this far, octaves; what passes in fewer windows than this looks like a fade.
FADE_LONGEST_S, FADE_WINDOWS = 0.6, 3.0
#: A cartridge's own curve is nearly straight over this many octaves, bends from there by this, dB
#: an octave squared (a resonance of Q 2 by 29), and falls no faster below the line, dB an octave:
#: two poles and two of the load. Less so in the band of `STRAIGHT_HZ`.
STRAIGHT_HZ, IN_STRAIGHT_BAND, ELSEWHERE = (100.0, 3000.0), (1.0, 1.0, 9.0), (0.25, 24.0, 30.0)
#: Where frames show no edge, blocks of this many are compared: a slow fade has none within frames.
EDGE_BLOCKS = (1, 4, 16, 48)
#: It is faded as long as it lies this far, dB, and this many times its scatter, below the line
#: through what comes as far again. A fade of raised cosine is longer than what shows so by this
#: factor, and by this for each decibel of bend that is allowed for.
FADED_DB, FADED_SIGMAS, FADE_SHOWN, FADE_SHOWN_PER_DB = 0.5, 4.0, 1.5, 0.5
#: The scatter is at least this: a line is no better.
FADE_SCATTER_DB = 0.05
#: Even over an abrupt edge a window, with its own image, slides within this part of its length.
STEP_WINDOWS = 0.75


class SweepGuess(NamedTuple):
    """A sweep as its ridge shows it.

    Attributes
    ----------
    path : PhasePath
        Phase along the smoothed ridge, continued beyond it at its last pace.
    channel : int
        The louder channel.
    begin_s, end_s : float
        First and last frame of the ridge, from the first sample.
    """

    path: PhasePath
    channel: int
    begin_s: float
    end_s: float


def sweep_guess(sound: Sound, axis: Axis, duration_s: float) -> SweepGuess | None:
    """Trace a sweep in a stretch of sound; None where there is none.

    Parameters
    ----------
    sound : Sound
        The track, and more at either end.
    axis : Axis
        Its described law.
    duration_s : float
        Its described length.
    """
    ridge = find_ridge(sound.samples, sound.sample_rate_hz, axis, duration_s)
    if ridge is None:
        return None
    spacing = KNOT_S * sound.sample_rate_hz
    knots_s = np.arange(int(np.ceil(sound.samples.shape[1] / spacing)) + 2) * KNOT_S
    hz = axis.hz(_continued(knots_s, ridge))
    # Beyond the described ends a law may run off: no further than half the sampling rate.
    hz = np.clip(hz, 0.0, 0.5 * sound.sample_rate_hz)
    cycles = np.concatenate([[0.0], np.cumsum(0.5 * (hz[1:] + hz[:-1]) * KNOT_S)])
    path = PhasePath(spacing, cycles)
    return SweepGuess(path, ridge.channel, float(ridge.time_s[0]), float(ridge.time_s[-1]))


def _continued(at_s: np.ndarray, ridge: Ridge) -> np.ndarray:
    """Return a smoothed ridge's progress at times, beyond its ends at the pace it has there."""
    reach = RIDGE_REACH
    slope = np.polyfit(ridge.time_s, ridge.progress, 1)[0]
    bent = ridge.progress - slope * ridge.time_s
    padded = np.pad(bent, 2, mode="edge")
    bent = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    weights = np.hanning(2 * reach + 3)[1:-1]
    # Odd reflection about the ends keeps a straight line straight.
    reach = min(reach, len(bent) - 1)
    head, tail = 2.0 * bent[0] - bent[reach:0:-1], 2.0 * bent[-1] - bent[-2 : -reach - 2 : -1]
    bent = np.concatenate([head, bent, tail])
    if reach == RIDGE_REACH:
        bent = np.convolve(bent, weights / weights.sum(), mode="valid")
    else:
        bent = bent[reach:-reach]
    smooth = bent + slope * ridge.time_s
    result = np.interp(at_s, ridge.time_s, smooth)
    # The pace at an end: of as many frames as settle it.
    frames = min(len(smooth), 16)
    for end, outside in (
        (slice(None, frames), at_s < ridge.time_s[0]),
        (slice(-frames, None), at_s > ridge.time_s[-1]),
    ):
        pace = np.polyfit(ridge.time_s[end], smooth[end], 1)[0]
        place = 0 if end.start is None else -1
        result[outside] = smooth[place] + pace * (at_s[outside] - ridge.time_s[place])
    return result


def edge_s(sound: Sound, path: PhasePath, channel: int, near_s: float, inward: int) -> float | None:
    """Return where a sweep has its level or begins to lose it, by its amplitude along its path.

    Parameters
    ----------
    path : PhasePath
        Its phase, continued beyond its ends.
    near_s : float
        An end of its ridge.
    inward : {1, -1}
        Direction in time in which the sweep lies.

    Returns
    -------
    float or None
        None where there is no edge that stands clear of the noise, such as where the sweep sinks
        into it.
    """
    rate = sound.sample_rate_hz
    inside_hz = float(path.at(np.array([(near_s + inward * 0.1) * rate]))[1][0] * rate)
    if inside_hz <= 0.0:
        return None
    window_s = max(END_CYCLES / inside_hz, END_WINDOW_S)
    outer = near_s - inward * max(END_OUTSIDE_S, 0.5 * END_WINDOWS * window_s)
    inner = near_s + inward * max(END_INSIDE_S, END_WINDOWS * window_s)
    length_s = sound.samples.shape[1] / rate
    first, last = max(0.0, min(outer, inner)), min(length_s, max(outer, inner))
    if last - first < 4.0 * window_s:
        return None
    one = replace(sound, samples=sound.samples[channel : channel + 1, :])
    frames = demodulated(one, [path], [(1,)], FilteredStretch(first, last, window_s))
    amplitude = np.abs(frames.z[:, 0, 0]).astype(float)
    at_s = one.position_of(frames.sound, frames.span.centres) / rate
    if inward < 0:
        amplitude, at_s = amplitude[::-1], at_s[::-1]
    pace = _Pace.at(path.at(np.array([near_s, near_s + inward * 0.1]) * rate)[1] * rate)
    edge = _edge(amplitude, at_s, pace)
    if edge is None:
        return None
    longest_s = min(FADE_LONGEST_S, pace.straight / pace.octaves_per_s)
    edge_hz = float(path.at(np.array([edge * rate]))[1][0] * rate)
    if longest_s < FADE_WINDOWS * window_s or edge_hz >= 0.5 * NYQUIST_PART * rate:
        return edge
    inside_s = inward * (at_s - edge)
    return edge + inward * _fade_s(amplitude, inside_s, longest_s, STEP_WINDOWS * window_s, pace)


class _Pace(NamedTuple):
    """How fast a sweep goes near an end, and what a cartridge's own curve can do there.

    Attributes
    ----------
    octaves_per_s : float
    straight : float
        Octaves over which the curve is nearly straight.
    bend_db : float
        It bends away from a straight line by this, dB an octave squared.
    steepest_db : float
        It falls no faster than this below a straight line, dB an octave.
    """

    octaves_per_s: float
    straight: float
    bend_db: float
    steepest_db: float

    @classmethod
    def at(cls, hz: np.ndarray) -> "_Pace":
        """Return the pace between two frequencies 0.1 s apart."""
        if hz.min() <= 0.0:
            return cls(np.inf, *ELSEWHERE)
        octaves_per_s = max(abs(float(np.log2(hz[1] / hz[0]))) / 0.1, 1e-6)
        if STRAIGHT_HZ[0] <= hz.min() and hz.max() <= STRAIGHT_HZ[1]:
            return cls(octaves_per_s, *IN_STRAIGHT_BAND)
        return cls(octaves_per_s, *ELSEWHERE)


def _edge(amplitude: np.ndarray, at_s: np.ndarray, pace: _Pace) -> float | None:
    """Return the first crossing by frames, or by ever longer blocks of them for a fade."""
    for frames in EDGE_BLOCKS:
        blocks = len(amplitude) // frames
        if blocks < 2 * END_LEVEL_FRAMES + OVERLAP:
            break
        # The last block ends where the amplitude does: inside.
        grouped_s, grouped = (
            x[len(x) - blocks * frames :].reshape(blocks, frames) for x in (at_s, amplitude)
        )
        compared_s = abs(grouped_s[-1, 0] - grouped_s[-1 - END_LEVEL_FRAMES, 0])
        if frames > 1 and pace.steepest_db * pace.octaves_per_s * compared_s >= END_DB:
            break
        edge = _crossing(np.median(grouped, axis=1), np.mean(grouped_s, axis=1))
        if edge is not None:
            return edge
    return None


def _crossing(amplitude: np.ndarray, at_s: np.ndarray) -> float | None:
    """Return when an amplitude, given from outside in, rises out of silence for good."""
    if len(amplitude) < 2 * END_LEVEL_FRAMES + OVERLAP:
        return None
    views = np.lib.stride_tricks.sliding_window_view(amplitude, END_LEVEL_FRAMES)
    inside = np.median(views[OVERLAP:], axis=1)
    low = amplitude[: len(inside)] < END_PART * inside
    for last in np.flatnonzero(low[OVERLAP - 1 :])[::-1] + OVERLAP - 1:
        outside = amplitude[max(0, last - OUTSIDE_FRAMES) : last - OVERLAP // 2 + 1]
        if not low[last - OVERLAP + 1 : last + 1].all():
            continue
        if np.median(outside) > END_CLEAR * inside[last]:
            continue
        level = END_PART * inside[last]
        k = last + int(np.argmax(amplitude[last:] >= level))
        part = (level - amplitude[k - 1]) / max(amplitude[k] - amplitude[k - 1], 1e-30)
        return float(at_s[k - 1] + np.clip(part, 0.0, 1.0) * (at_s[k] - at_s[k - 1]))
    return None


def _fade_s(
    amplitude: np.ndarray,
    inside_s: np.ndarray,
    longest_s: float,
    blurred_s: float,
    pace: _Pace,
) -> float:
    """Return how long a sweep still gains level from its edge on: 0 where it is cut in at once."""
    inside = inside_s >= blurred_s
    inside_s = inside_s[inside]
    level_db = 20.0 * np.log10(np.maximum(amplitude[inside], np.finfo(np.float32).tiny))
    calm = (inside_s > longest_s) & (inside_s <= 2.0 * longest_s)
    if np.count_nonzero(calm) < OVERLAP:
        return 0.0
    line = np.polyfit(inside_s[calm], level_db[calm], 1)
    below_db = np.polyval(line, inside_s) - level_db
    scatter_db = 1.4826 * float(np.median(np.abs(below_db[calm])))
    bent = pace.octaves_per_s * np.clip(longest_s - inside_s, 0.0, None)
    least_db = max(FADED_DB, FADED_SIGMAS * max(scatter_db, FADE_SCATTER_DB))
    limit_db = least_db + pace.bend_db * bent**2
    # One good frame in a fade does not end it, nor does a tick further in begin it anew.
    at_level = np.convolve(below_db > limit_db, np.ones(OVERLAP), mode="valid") == 0.0
    settled = int(np.argmax(at_level))
    octaves = pace.octaves_per_s * (inside_s[settled] - inside_s[0])
    if below_db[0] <= limit_db[0] + pace.steepest_db * octaves:
        return 0.0
    bend_db = float(limit_db[settled]) - least_db
    return (FADE_SHOWN + FADE_SHOWN_PER_DB * bend_db) * float(inside_s[settled])
