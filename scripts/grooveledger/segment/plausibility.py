"""How plausible it is that a stretch of a capture is a planned track.

Costs are in steps of plausibility: a missing track costs `MISSING`, and nothing is matched that is
less plausible than to be missing and unexpected.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from grooveledger.plan import Track
from grooveledger.segment.sliding import running_median
from grooveledger.segment.sounding import Sounding

#: Cost of a planned track that is not there.
MISSING = 3.0
#: A match dearer than this is none.
MATCH_MAX = 4.0
#: Part of a track's moments that must have its frequency.
MOST = 0.75
#: A frequency may be off by this many octaves (wow, speed, the reading), then each further step of
#: the second costs 1.
FREQUENCY_FREE_OCTAVES, FREQUENCY_STEP_OCTAVES = 0.03, 0.06
#: Duration may be off by this fraction (plans are rounded), then each further step costs 1.
DURATION_FREE, DURATION_STEP = 0.06, 0.15
#: Levels of the channels differ by at least this where one groove wall is driven, else by less.
ONE_SIDED_DB, TWO_SIDED_DB = 5.0, 9.0
#: Costs of the wrong channel, and of the wrong axis (lateral for vertical), which shows in a
#: coherence of the channels below this.
CHANNEL, AXIS, COHERENT = 4.0, 4.0, 0.5
#: Cost of an interruption, which grows by 1 a second, but for gaps this long between steps.
INTERRUPTED, STEP_GAP_S = 0.2, 0.5
#: Several stretches together are no longer than this, re the plan.
LONGEST = 1.8
#: Cost of what has to be assumed of the whole capture before its tracks fit.
EXCHANGED, INVERTED, OTHER_SPEED = 1.5, 0.5, 2.0
#: Part of a track that must be there.
PART_MIN = 0.5
#: Part of a sweep that must lie on its line, how near, in octaves, and the cost of the rest.
ON_LINE_MIN, ON_LINE_OCTAVES, OFF_LINE = 0.4, 0.12, 2.0
#: The needle jumped within a sweep if this part is off its line, all by one time of this or more
#: (a turn takes 1.33 s or 1.8 s).
JUMP_OFF_LINE, JUMP_S = 0.1, 1.0
#: A sweep's first line goes through what lies in an interval of this length.
LINE_S = 0.6
#: A sweep is taken to be slower or faster than planned from this many standard errors, but not by
#: more than this.
SLOPE_ERRORS, SLOPE_OFF_MAX = 4.0, 0.25
#: Points that make a line, and part of a sweep that must be heard: its ends may be too weak.
LINE_POINTS_MIN, SWEEP_PART_MIN = 5, 0.5


class Played(NamedTuple):
    """What was captured, and what is known of it beforehand.

    Attributes
    ----------
    spans : sequence of (start_s, stop_s)
        The stretches of modulation, in order.
    sounding : Sounding
        What is heard.
    duration_s : float
        Length of the capture.
    exchanged, inverted : bool
        Whether the file's channels are known to be exchanged, one of them to be of inverted
        polarity.
    dead : frozenset of str
        Channels of the file that carry nothing.
    """

    spans: Sequence[tuple[float, float]]
    sounding: Sounding
    duration_s: float
    exchanged: bool = False
    inverted: bool = False
    dead: frozenset[str] = frozenset()


class Assumption(NamedTuple):
    """What is assumed of a whole capture: its speed re the plan, and its channels."""

    speed: float = 1.0
    exchanged: bool = False
    inverted: bool = False

    @property
    def cost(self) -> float:
        """How implausible it is before anything is heard."""
        return (
            EXCHANGED * self.exchanged
            + INVERTED * self.inverted
            + OTHER_SPEED * (abs(self.speed - 1.0) > 0.05)
        )


@dataclass(frozen=True)
class Match:
    """One planned track on stretches `first` to `last`, both included.

    Attributes
    ----------
    position : int
        The track's place on the side, from 0.
    start_s, stop_s : float
        Where the track lies, which on a sweep may be beyond what is heard.
    cost : float
        How implausible it is.
    part : float
        How much of the planned duration is heard.
    speed : float
        Played over planned frequency; NaN where it can't be told.
    off_line : float
        Part of a sweep's moments that lie off its line.
    jumped : bool
        Whether the needle jumped within a sweep: off its line, and longer or shorter for it.
    silent_s : float
        How long it is interrupted.
    """

    position: int
    first: int
    last: int
    start_s: float
    stop_s: float
    cost: float
    part: float
    speed: float
    off_line: float
    jumped: bool
    silent_s: float


def placements(position: int, track: Track, played: Played, speed: float) -> list[Match]:
    """List the runs of stretches that could be the track by duration and frequency."""
    planned_s = track.duration_s / speed
    steps = max(len(track.frequencies_hz), len(track.amplitudes_um)) if track.step_s else 0
    found = []
    for first, (start_s, _) in enumerate(played.spans):
        silent_s = 0.0
        for last in range(first, len(played.spans)):
            stop_s = played.spans[last][1]
            if last > first:
                silent_s += played.spans[last][0] - played.spans[last - 1][1]
                interruption = INTERRUPTED + beyond(silent_s, STEP_GAP_S * steps, 1.0, MATCH_MAX)
                if interruption >= MATCH_MAX or stop_s - start_s > LONGEST * planned_s:
                    break
            else:
                interruption = 0.0
            part = played.sounding.between(start_s, stop_s)
            place = _placed(track, part, start_s, stop_s, speed, played.duration_s)
            if place is None or place.cost + interruption >= MATCH_MAX:
                continue
            found.append(
                Match(
                    position,
                    first,
                    last,
                    place.start_s,
                    place.stop_s,
                    place.cost + interruption,
                    place.part,
                    place.speed,
                    place.off_line,
                    place.jumped,
                    silent_s,
                )
            )
    return found


def relaid(match: Match, track: Track, played: Played, speed: float) -> Match:
    """Lay a matched sweep's line again, at the speed that the capture's tones were played at."""
    start_s, stop_s = played.spans[match.first][0], played.spans[match.last][1]
    part = played.sounding.between(start_s, stop_s)
    place = _placed(track, part, start_s, stop_s, speed, played.duration_s)
    return replace(match, start_s=place.start_s, stop_s=place.stop_s) if place else match


def driven_in_file(track: Track, played: Played, assumption: Assumption) -> set[str]:
    """Name the file's channels that a track's modulation drives."""
    if played.exchanged == assumption.exchanged:
        return set(track.driven_channels)
    return {{"left": "right", "right": "left"}[channel] for channel in track.driven_channels}


def with_channels(
    match: Match, track: Track, played: Played, assumption: Assumption
) -> Match | None:
    """Add to a match's cost that of what the channels carry; None where it is none then."""
    driven = driven_in_file(track, played, assumption)
    if driven <= played.dead:
        return None
    if played.dead:
        return match
    part = played.sounding.between(played.spans[match.first][0], played.spans[match.last][1])
    balance_db = float(np.nanmedian(part.balance_db))
    if len(driven) == 1:
        toward_db = balance_db if "left" in driven else -balance_db
        cost = CHANNEL * _clipped((ONE_SIDED_DB - toward_db) / ONE_SIDED_DB)
    else:
        inverted = played.inverted != assumption.inverted
        coherence = float(np.nanmedian(part.coherence))
        toward = -coherence if (track.modulation == "vertical") != inverted else coherence
        cost = CHANNEL * _clipped((abs(balance_db) - TWO_SIDED_DB) / TWO_SIDED_DB)
        cost += AXIS * _clipped(COHERENT - toward)
    return replace(match, cost=match.cost + cost) if match.cost + cost < MATCH_MAX else None


class _Place(NamedTuple):
    start_s: float
    stop_s: float
    cost: float
    part: float
    speed: float
    off_line: float = 0.0
    jumped: bool = False


def _placed(
    track: Track,
    part: Sounding,
    start_s: float,
    stop_s: float,
    speed: float,
    duration_s: float,
) -> _Place | None:
    """Where a track would lie on a stretch, and what speaks against it; None if it can't."""
    heard = np.isfinite(part.frequency_hz)
    if not heard.any():
        return None
    time_s, frequency_hz = part.time_s[heard], part.frequency_hz[heard]
    planned_s = track.duration_s / speed
    if track.kind == "sweep":
        return _sweep_placed(track, time_s, frequency_hz, start_s, stop_s, speed)
    relative = (stop_s - start_s) / planned_s
    cut = min(start_s, duration_s - stop_s) < 0.5 and relative < 1.0
    if relative < PART_MIN:
        return None
    best = (np.inf, np.nan)
    for from_s in (start_s, stop_s - planned_s):
        for line in expected_hz(track, (time_s - from_s) * speed):
            off = np.log2(frequency_hz / (line * speed))
            off_octaves = float(np.quantile(np.abs(off), MOST))
            best = min(best, (off_octaves, float(speed * 2.0 ** np.median(off))))
    cost = beyond(best[0], FREQUENCY_FREE_OCTAVES, FREQUENCY_STEP_OCTAVES, 2 * MATCH_MAX)
    off_duration = abs(np.log(relative))
    cost += 0.5 if cut else beyond(off_duration, DURATION_FREE, DURATION_STEP, 3.0)
    return _Place(start_s, stop_s, cost, relative, best[1])


def _sweep_placed(
    track: Track,
    time_s: np.ndarray,
    frequency_hz: np.ndarray,
    start_s: float,
    stop_s: float,
    speed: float,
) -> _Place | None:
    """Lay a sweep's line through what is heard of it."""
    planned_s = track.duration_s / speed
    inside_s = sweep_time_s(track, frequency_hz / speed) / speed
    usable = np.isfinite(inside_s)
    if usable.sum() < LINE_POINTS_MIN or usable.mean() < ON_LINE_MIN:
        return None
    from_s, stretched = _densest((time_s - inside_s)[usable], LINE_S), 1.0
    late_s = time_s - from_s - inside_s
    near = usable & (np.abs(late_s) < LINE_S / 2.0)
    if near.sum() >= LINE_POINTS_MIN:
        from_s, stretched = _fitted(inside_s[near], time_s[near], from_s)
        late_s = time_s - from_s - inside_s * stretched
    off = _octaves_off_line(track, (time_s - from_s) / stretched, frequency_hz, speed)
    # A running median: single readings of a weak tone are no jump of the needle.
    on_line = np.abs(running_median(off, 5)) < ON_LINE_OCTAVES
    on_line &= np.abs(time_s - from_s - planned_s / 2.0) < planned_s * stretched / 2.0 + LINE_S
    planned_s *= stretched
    until_s = from_s + planned_s
    part = (min(stop_s, until_s) - max(start_s, from_s)) / planned_s
    if on_line.mean() < ON_LINE_MIN or part < SWEEP_PART_MIN:
        return None
    outside_s = max(from_s - start_s, 0.0) + max(stop_s - until_s, 0.0)
    cost = beyond(
        float(np.median(np.abs(off[on_line]))),
        FREQUENCY_FREE_OCTAVES,
        FREQUENCY_STEP_OCTAVES,
        MATCH_MAX,
    )
    cost += OFF_LINE * float(1.0 - on_line.mean())
    cost += beyond(outside_s / planned_s, DURATION_FREE, DURATION_STEP, 3.0)
    cost += beyond(abs(float(np.log(stretched))), DURATION_FREE, DURATION_STEP, 3.0)
    cost += beyond(1.0 - part, 0.3, 0.2, 2.0)
    off_line = float(1.0 - on_line.mean())
    jumped = off_line > JUMP_OFF_LINE and _is_a_jump(late_s[usable & ~on_line])
    return _Place(from_s, until_s, cost, part, np.nan, off_line, jumped)


def _densest(values: np.ndarray, width: float) -> float:
    """Median of the values within the interval of that width that holds most of them."""
    ordered = np.sort(values)
    counts = np.searchsorted(ordered, ordered + width, side="right") - np.arange(len(ordered))
    first = int(counts.argmax())
    return float(np.median(ordered[first : first + counts[first]]))


def _is_a_jump(late_s: np.ndarray) -> bool:
    """Whether moments off a sweep's line lie on another, later or earlier by some turns."""
    if len(late_s) < LINE_POINTS_MIN:
        return False
    middle_s = float(np.median(late_s))
    return abs(middle_s) > JUMP_S > 4.0 * float(np.median(np.abs(late_s - middle_s)))


def _fitted(inside_s: np.ndarray, time_s: np.ndarray, from_s: float) -> tuple[float, float]:
    """Start of a sweep, and how much longer than planned it takes, from a line through its points.

    The plan's duration may be rounded. It is kept where the points can't tell better.
    """
    deviation_s = inside_s - inside_s.mean()
    spread = float(np.sum(deviation_s**2))
    if spread == 0.0:
        return from_s, 1.0
    slope = float(np.sum(deviation_s * time_s)) / spread
    residual_s = time_s - time_s.mean() - slope * deviation_s
    error = math.sqrt(float(np.mean(residual_s**2)) / spread)
    if abs(slope - 1.0) < SLOPE_ERRORS * error or abs(slope - 1.0) > SLOPE_OFF_MAX:
        return from_s, 1.0
    return float(time_s.mean() - slope * inside_s.mean()), slope


def _octaves_off_line(
    track: Track, inside_s: np.ndarray, frequency_hz: np.ndarray, speed: float
) -> np.ndarray:
    line_hz = expected_hz(track, inside_s * speed)[0] * speed
    return np.asarray(np.log2(frequency_hz / line_hz))


def expected_hz(track: Track, inside_s: np.ndarray) -> list[np.ndarray]:
    """Frequency of a track's strongest tone at times from its start; each row is a possibility.

    Before its start and after its end, a track's first and last frequency.
    """
    inside_s = np.clip(inside_s, 0.0, track.duration_s)
    if track.kind == "sweep":
        start_hz, stop_hz = _sweep_ends_hz(track)
        u = inside_s / track.duration_s
        if track.law == "log":
            return [start_hz * (stop_hz / start_hz) ** u]
        return [start_hz + (stop_hz - start_hz) * u]
    if track.kind == "tone_steps":
        assert track.step_s
        step = np.minimum((inside_s / track.step_s).astype(int), len(track.frequencies_hz) - 1)
        return [np.array(track.frequencies_hz)[step]]
    tones = track.frequencies_hz if track.kind == "two_tone" else (track.frequency_hz,)
    return [np.full(len(inside_s), float(tone)) for tone in tones if tone]


def sweep_time_s(track: Track, frequency_hz: np.ndarray) -> np.ndarray:
    """Planned time from a sweep's start at which it has a frequency; NaN beyond its ends."""
    start_hz, stop_hz = _sweep_ends_hz(track)
    if track.law == "log":
        u = np.log(frequency_hz / start_hz) / np.log(stop_hz / start_hz)
    else:
        u = (frequency_hz - start_hz) / (stop_hz - start_hz)
    return np.where((u > -0.02) & (u < 1.02), u * track.duration_s, np.nan)


def _sweep_ends_hz(track: Track) -> tuple[float, float]:
    if track.start_hz is None or track.stop_hz is None:
        raise ValueError(f"sweep track {track.track} has no start_hz or stop_hz")
    return track.start_hz, track.stop_hz


def _clipped(cost: float) -> float:
    return min(max(cost, 0.0), 1.0)


def beyond(value: float, free: float, step: float, limit: float) -> float:
    """Cost of a deviation: nothing up to `free`, then 1 each `step`, up to `limit`."""
    return float(min(max(value - free, 0.0) / step, limit))
