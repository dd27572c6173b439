"""Where the steps of a stepped track lie, by what is played rather than by counting seconds."""

from typing import NamedTuple

import numpy as np

from grooveledger.observe.lines import line_power, octaves
from grooveledger.observe.sound import Sound
from grooveledger.plan import Track

#: Half-width of the band in which a step is looked for, as a part of its frequency: what a
#: description and a platter may be off; and of half the distance to the step next to it at most.
BAND, BAND_RE_NEIGHBOUR = 0.05, 0.45
#: Times a step at which the bands are compared.
FRAMES_A_STEP = 60
#: How far a step's band must stand above the others, and above itself at most times, to count for
#: it rather than against it, and the most that counts either way, dB.
STANDS_OUT_DB, COUNTS_DB = 6.0, 20.0
#: Lengths of a step that are believed, relative to the described one.
LENGTHS = (0.75, 1.3)
#: Steps are taken to lie on an even grid where there are this many, and this share of their middles
#: is within this part of a step of it.
EVEN_LEAST, EVEN_SHARE, EVEN_WITHIN = 5, 0.7, 0.1
#: Lengths and beginnings tried for steps of one frequency: relative to the described length, and in
#: steps to either side of the track's beginning.
TRIED_LENGTHS = np.linspace(0.87, 1.13, 53)
TRIED_BEGINNINGS = np.linspace(-0.5, 0.5, 81)
#: Part of a step at either end whose level is not compared: the change takes the band's time.
UNSETTLED = 0.02
#: Times a step at which levels are compared.
LEVELS_A_STEP = 40
#: A frame's level counts for no more than this in the comparison, dB.
APART_MAX_DB = 10.0


class StepPlace(NamedTuple):
    """A step as it lies in a sound, s from its first sample."""

    step: int
    begin_s: float
    end_s: float


def step_places(sound: Sound, track: Track, speed: float) -> list[StepPlace]:
    """Locate the steps of a track.

    Parameters
    ----------
    sound : Sound
        The track, and more at either end.
    track : Track
        `tone_steps` or `amplitude_steps`.
    speed : float
        Played relative to nominal frequency.

    Returns
    -------
    list of StepPlace
        Steps that were located, in order; those that do not stand out are left out.
    """
    step_s = (track.step_s or track.stated_duration_s / track.steps) / speed
    if track.kind == "amplitude_steps":
        return _by_level(sound, track, step_s, speed)
    played_hz = np.array(track.frequencies_hz) * speed
    every_s = step_s / FRAMES_A_STEP
    level_db = _band_levels_db(sound, played_hz, every_s)
    first, last = _in_order(_worth(level_db, played_hz))
    places = [
        StepPlace(step, float(begin) * every_s, float(end) * every_s)
        for step, (begin, end) in enumerate(zip(first, last, strict=True))
    ]
    low, high = LENGTHS
    places = [one for one in places if low * step_s < one.end_s - one.begin_s < high * step_s]
    return _evened(places)


def _evened(places: list[StepPlace]) -> list[StepPlace]:
    """Return the steps on an even grid, where that is how they lie.

    The steps of a track are equally long. A low one's own edges are blurred, by half a second at 20
    Hz: the others say where they are.
    """
    if len(places) < EVEN_LEAST:
        return places
    step = np.array([one.step for one in places], dtype=float)
    middle_s = np.array([0.5 * (one.begin_s + one.end_s) for one in places])
    near = np.ones(len(places), dtype=bool)
    length_s, first_s = 0.0, 0.0
    for _ in range(2):
        length_s, first_s = np.polyfit(step[near], middle_s[near], 1)
        apart = np.abs(middle_s - first_s - length_s * step)
        near = apart <= np.median(apart)
    if np.mean(apart < EVEN_WITHIN * length_s) < EVEN_SHARE:
        return places
    return [
        StepPlace(
            one.step,
            float(first_s + length_s * (one.step - 0.5)),
            float(first_s + length_s * (one.step + 0.5)),
        )
        for one, off in zip(places, apart, strict=True)
        if off < 0.5 * length_s
    ]


def _band_levels_db(sound: Sound, played_hz: np.ndarray, every_s: float) -> np.ndarray:
    """Return the level of a band about each frequency against time, dB, shape (bands, frames)."""
    length_s = sound.samples.shape[1] / sound.sample_rate_hz
    at_s = (np.arange(int(length_s / every_s)) + 0.5) * every_s
    widths = np.full(len(played_hz), BAND)
    distinct = np.unique(played_hz)
    if len(distinct) > 1:
        apart = np.log(distinct[1:] / distinct[:-1])
        nearest = np.minimum(np.append(apart, np.inf), np.append(np.inf, apart))
        widths = np.minimum(BAND, BAND_RE_NEIGHBOUR * nearest[np.searchsorted(distinct, played_hz)])
    levels_db = np.full((len(played_hz), len(at_s)), -np.inf)
    for level in octaves(sound.samples, sound.sample_rate_hz, float(np.min(played_hz))):
        for band in np.flatnonzero((played_hz > level.low_hz) & (played_hz <= level.top_hz)):
            # At the edges of the band a Hann window of this length is 6 dB down.
            window_s = 1.0 / (widths[band] * played_hz[band])
            power = line_power(level, at_s, played_hz[[band]], window_s)
            levels_db[band] = 10.0 * np.log10(power.sum(axis=(0, 2)))
    return levels_db


def _worth(level_db: np.ndarray, played_hz: np.ndarray) -> np.ndarray:
    """Return how much each frame speaks for each step, dB, shape (steps, frames)."""
    usual_db = np.median(level_db, axis=1)
    # On a level of its own, each band: the replay curve and the response differ between them.
    heights = level_db - np.max(level_db, axis=1, keepdims=True)
    worth = np.empty_like(level_db)
    for step, hz in enumerate(played_hz):
        others = played_hz != hz
        above = np.full(level_db.shape[1], np.inf)
        if others.any():
            above = heights[step] - np.max(heights[others], axis=0)
        own = level_db[step] - usual_db[step] if len(played_hz) > 2 else heights[step] + COUNTS_DB
        worth[step] = np.minimum(above, own) - STANDS_OUT_DB
    return np.clip(worth, -COUNTS_DB, COUNTS_DB)


def _in_order(worth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the first frame of each step, and the one after its last, for most worth in all.

    Dynamic programming over the steps: each takes one run of frames after the run of the one before
    it, or none.
    """
    steps, frames = worth.shape
    total = np.concatenate([np.zeros((steps, 1)), np.cumsum(worth, axis=1)], axis=1)
    # best[t]: most worth of the steps so far, ended by frame t.
    best = np.zeros(frames + 1)
    begins = np.zeros((steps, frames + 1), dtype=int)
    ends = np.zeros((steps, frames + 1), dtype=int)
    for step in range(steps):
        start = best - total[step]
        opened = np.maximum.accumulate(start)
        opened_at = np.maximum.accumulate(np.where(start == opened, np.arange(frames + 1), 0))
        value = total[step] + opened
        ended = np.maximum.accumulate(value)
        ended_at = np.maximum.accumulate(np.where(value == ended, np.arange(frames + 1), 0))
        begins[step], ends[step] = opened_at[ended_at], ended_at
        best = ended
    first, last = np.zeros(steps, dtype=int), np.zeros(steps, dtype=int)
    at = frames
    for step in range(steps - 1, -1, -1):
        first[step], last[step] = begins[step, at], ends[step, at]
        at = first[step]
    return first, last


def _by_level(sound: Sound, track: Track, step_s: float, speed: float) -> list[StepPlace]:
    """Return the steps of one frequency: where their levels follow one another as described."""
    every_s = step_s / FRAMES_A_STEP
    level_db = _band_levels_db(sound, np.array([track.lowest_hz * speed]), every_s)[0]
    expected_db = 20.0 * np.log10(np.array(track.amplitudes_um))
    steps = np.arange(track.steps)
    within = np.linspace(UNSETTLED, 1.0 - UNSETTLED, LEVELS_A_STEP)
    best, place = np.inf, (sound.begin_s, step_s)
    for length_s in TRIED_LENGTHS * step_s:
        tried_s = sound.begin_s + TRIED_BEGINNINGS * step_s
        at_s = tried_s[:, None, None] + (steps[:, None] + within) * length_s
        frame = at_s / every_s - 0.5
        outside = (frame < 0) | (frame > len(level_db) - 1)
        heard_db = np.interp(frame, np.arange(len(level_db)), level_db)
        apart_db = heard_db - expected_db[:, None]
        apart_db = np.abs(apart_db - np.median(apart_db, axis=(1, 2), keepdims=True))
        cost = np.minimum(np.where(outside, APART_MAX_DB, apart_db), APART_MAX_DB).mean(axis=(1, 2))
        least = int(np.argmin(cost))
        if cost[least] < best:
            best, place = float(cost[least]), (float(tried_s[least]), float(length_s))
    begin_s, length_s = place
    ends_s = begin_s + length_s * np.arange(track.steps + 1)
    # A capture may end before the track does.
    last_s = sound.samples.shape[1] / sound.sample_rate_hz
    return [
        StepPlace(int(step), float(ends_s[step]), float(ends_s[step + 1]))
        for step in steps
        if ends_s[step + 1] <= last_s
    ]
