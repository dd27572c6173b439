"""Ridge of a sweep: frequency against time, from where its energy lies.

The described law serves as an axis only. On it (progress 0 at the described start, 1 at the
described stop) a sweep that keeps to its description is a straight line, and one that does not, a
line of nearly that slope. Of all lines that only ever go forward, at a pace near the described one,
the one that stands out of the background most is taken: dynamic programming, a line beginning and
ending wherever that gains most.
"""

from typing import NamedTuple

import numpy as np

from grooveledger.capture.stored_samples import Samples
from grooveledger.observe.lines import line_power, octaves
from grooveledger.plan import Track

#: Frames of a spectrogram, and steps of the axis that a sweep as described covers between two.
FRAMES, PACE = 320, 6
#: Slowest and fastest line considered: a length off by a tenth, a law bent by a few per cent and
#: what a stretch may hold besides the sweep.
SLOWEST, FASTEST = 4, 9
#: The axis reaches so far beyond the described ends, as a ratio of frequencies.
BEYOND = 1.12
#: Highest frequency looked at, as a part of the sampling rate.
TOP_PART = 0.47
#: A window is this many times 1/sqrt(sweep rate in Hz/s), where a chirp's line is narrowest (the
#: spread of frequency within the window is then that of the window's own line), and at least so
#: many cycles.
WINDOW_RE_CHIRP, WINDOW_CYCLES = 1.5, 6.0
#: What counts of a line's height over the background, dB, and how far the background is taken to
#: lie below a frame's highest line at most: neither hum nor harmonics come near a fundamental.
HEIGHT_DB = 40.0
#: A frame adds to a line what it stands higher than this, dB: noise alone takes from it.
WORTH_DB = 10.0
#: Least gain over the length of a line, dB times frames, and least part of the span it covers.
LEAST_GAIN, LEAST_SPAN = 400.0, 0.12


class Ridge(NamedTuple):
    """A sweep's frequency at the centres of frames.

    Attributes
    ----------
    time_s, progress : numpy.ndarray, shape (frames,)
        From the first sample, and how far the sweep is on its axis.
    channel : int
        The louder channel.
    """

    time_s: np.ndarray
    progress: np.ndarray
    channel: int


class Axis(NamedTuple):
    """Frequency as progress along a described law."""

    start_hz: float
    stop_hz: float
    logarithmic: bool

    @classmethod
    def of(cls, track: Track, speed: float) -> "Axis":
        """Return the axis of a sweep that is played at `speed` relative to nominal."""
        assert track.start_hz is not None
        assert track.stop_hz is not None
        return cls(track.start_hz * speed, track.stop_hz * speed, track.law == "log")

    def hz(self, progress: np.ndarray) -> np.ndarray:
        """Return the frequency at a progress."""
        if self.logarithmic:
            return self.start_hz * (self.stop_hz / self.start_hz) ** progress
        return self.start_hz + (self.stop_hz - self.start_hz) * progress

    def progress(self, hz: float | np.ndarray) -> np.ndarray:
        """Return the progress at a frequency."""
        if self.logarithmic:
            return np.log(hz / self.start_hz) / np.log(self.stop_hz / self.start_hz)
        return np.asarray((hz - self.start_hz) / (self.stop_hz - self.start_hz))

    def chirp_hz_per_progress(self, hz: np.ndarray | float) -> np.ndarray:
        """Return the hertz that a unit of progress is worth at a frequency."""
        if self.logarithmic:
            return hz * abs(np.log(self.stop_hz / self.start_hz))
        return np.full(np.shape(hz), abs(self.stop_hz - self.start_hz))


def find_ridge(
    samples: Samples, sample_rate_hz: float, axis: Axis, duration_s: float
) -> Ridge | None:
    """Trace a sweep in a stretch of sound.

    Parameters
    ----------
    samples : Samples, shape (2, n)
    axis : Axis
        The described law.
    duration_s : float
        Described length of the sweep, or the stretch's where there is none.

    Returns
    -------
    Ridge or None
        None where nothing in the stretch moves as such a sweep would.
    """
    length_s = samples.shape[1] / sample_rate_hz
    every_s = duration_s / FRAMES
    time_s = np.arange(0.5 * every_s, length_s, every_s)
    ends = axis.progress(
        np.array([axis.start_hz, axis.stop_hz])
        * np.array([1.0 / BEYOND, BEYOND])[:: 1 if axis.stop_hz > axis.start_hz else -1]
    )
    top = axis.progress(TOP_PART * sample_rate_hz)
    ends = np.clip(ends, *((-np.inf, top) if axis.stop_hz > axis.start_hz else (top, np.inf)))
    step = 1.0 / (FRAMES * PACE)
    progress = np.arange(ends[0], ends[1], step)
    if len(progress) < FRAMES or len(time_s) < 2:
        return None
    power_db = _power_db(samples, sample_rate_hz, axis, duration_s, time_s, axis.hz(progress))
    height_db = _height_db(power_db)
    lines = _best_lines(height_db)
    channel = int(np.argmax([line[0] for line in lines]))
    gain, first, places = lines[channel]
    loud = height_db[channel, first + np.arange(len(places)), places] > 0.0
    begin, end = _without_strays(loud)
    first, places = first + begin, places[begin:end]
    if gain < LEAST_GAIN or (places[-1] - places[0]) * step < LEAST_SPAN:
        return None
    frames = np.arange(first, first + len(places))
    offset = _vertex(power_db[channel], frames, places)
    return Ridge(time_s[frames], progress[places] + offset * step, channel)


def _power_db(
    samples: Samples,
    sample_rate_hz: float,
    axis: Axis,
    duration_s: float,
    time_s: np.ndarray,
    hz: np.ndarray,
) -> np.ndarray:
    """Return the power of lines at frequencies against time, dB, shape (2, times, frequencies)."""
    power_db = np.full((2, len(time_s), len(hz)), -np.inf, np.float32)
    for level in octaves(samples, sample_rate_hz, float(hz.min())):
        inside = np.flatnonzero((hz > level.low_hz) & (hz <= level.top_hz))
        if not len(inside):
            continue
        here = slice(int(inside[0]), int(inside[-1]) + 1)
        middle_hz = float(np.sqrt(hz[here].min() * hz[here].max()))
        chirp = float(axis.chirp_hz_per_progress(middle_hz)) / duration_s
        window_s = max(WINDOW_RE_CHIRP / np.sqrt(chirp), WINDOW_CYCLES / float(hz[here].min()))
        power_db[:, :, here] = 10.0 * np.log10(line_power(level, time_s, hz[here], window_s))
    return power_db


def _height_db(power_db: np.ndarray) -> np.ndarray:
    """Return the height of lines over the background that their frequency has at most times."""
    # Sorted whole: for a median's sake alone numpy takes four times as long.
    in_order = np.sort(power_db, axis=1)
    middle = power_db.shape[1] // 2
    usual_db = 0.5 * (in_order[:, [-1 - middle]] + in_order[:, [middle]])
    highest_db = power_db.max(axis=(0, 2), keepdims=True)
    background_db = np.maximum(usual_db, highest_db - HEIGHT_DB)
    return np.clip(power_db - background_db, 0.0, HEIGHT_DB) - WORTH_DB


def _best_lines(worth: np.ndarray) -> list[tuple[float, int, np.ndarray]]:
    """Return gain, first frame and ever rising places of each channel's line of most worth.

    `worth` has the shape (channels, frames, places).
    """
    channels, frames, places = worth.shape
    best = np.empty((frames, channels, places), np.float32)
    # A line that is worth nothing is none. Reading on from a place, the fastest pace comes first.
    before = np.zeros((channels, FASTEST + places), np.float32)
    for frame, ahead in enumerate(best):
        # The paces are an even number: two by two.
        pairs = np.maximum(before[:, :-1], before[:, 1:])
        ahead[:] = pairs[:, :places]
        for slower in range(2, FASTEST - SLOWEST, 2):
            np.maximum(ahead, pairs[:, slower : slower + places], out=ahead)
        ahead += worth[:, frame]
        np.maximum(ahead, 0.0, out=before[:, FASTEST:])
    return [_traced(best[:, channel]) for channel in range(channels)]


def _traced(best: np.ndarray) -> tuple[float, int, np.ndarray]:
    """Return the gain, first frame and places of the line that leads to the greatest worth."""
    frame, place = divmod(int(np.argmax(best)), best.shape[1])
    gain = float(best[frame, place])
    line = [place]
    while frame and place >= SLOWEST:
        # Where it may come from, the slowest pace first.
        came = best[frame - 1, max(place - FASTEST, 0) : place - SLOWEST + 1][::-1]
        faster = int(np.argmax(came))
        if came[faster] <= 0.0:
            break
        place, frame = place - SLOWEST - faster, frame - 1
        line.append(place)
    return gain, frame, np.array(line[::-1])


def _without_strays(loud: np.ndarray) -> tuple[int, int]:
    """Return a line's first frame and the one after its last, without what ticks beside it add.

    Sound at an end that lasts less long than the silence beside it belongs to something else. No
    more than half of the line is taken off an end.

    Examples
    --------
    >>> _without_strays(np.array([1, 0, 1, 0, 0, 0, 1, 1, 1, 1, 1, 1, 0, 1], bool))
    (6, 14)
    """
    ends = []
    for line in (loud, loud[::-1]):
        taken = sound = silence = 0
        for frame, is_loud in enumerate(line[: len(line) // 2].tolist()):
            if not is_loud:
                silence += 1
                continue
            if silence > sound:
                taken, sound = frame, 0
            sound, silence = sound + 1, 0
        ends.append(taken)
    return ends[0], len(loud) - ends[1]


def _vertex(power_db: np.ndarray, frames: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return where between the axis's steps a parabola through the line's flanks has its top."""
    reach = PACE // 2
    places = np.clip(places, reach, power_db.shape[1] - 1 - reach)
    low, middle, high = (power_db[frames, places + k] for k in (-reach, 0, reach))
    bend = low - 2.0 * middle + high
    offset = np.divide(0.5 * (low - high), bend, out=np.zeros_like(bend), where=bend < 0.0)
    return np.clip(offset, -1.0, 1.0) * reach
