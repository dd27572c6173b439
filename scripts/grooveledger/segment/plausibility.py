"""How plausible it is that a stretch of a capture is a planned track.

Costs count steps of implausibility: a missing track costs `COSTS.missing`, and no match is made
that costs more than a missing track beside an unexpected stretch.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from grooveledger.physics.quantiles import quantile
from grooveledger.plan import Track
from grooveledger.segment.costs import COSTS
from grooveledger.segment.sliding import running_median
from grooveledger.segment.sounding import Sounding
from grooveledger.segment.sweep_line import (
    POINTS_MIN,
    ends_hz,
    fitted_line,
    octaves_off,
    part_of_range,
    range_octaves,
)

#: Part of a track's readings that must be at its frequency.
MOST = 0.75
#: A frequency may be off by this many octaves (tones are cut within 2 %, and the platter's speed is
#: off), then each further step costs 1.
FREQUENCY_FREE_OCTAVES, FREQUENCY_STEP_OCTAVES = 0.045, 0.06
#: A duration may be off by this fraction (sleeves are right within 10 %), then each further step
#: costs 1.
DURATION_FREE, DURATION_STEP = 0.11, 0.15
#: Levels of the channels differ by at least this where one groove wall is driven, else by less.
ONE_SIDED_DB, TWO_SIDED_DB = 5.0, 9.0
#: A coherence of the channels below this shows the wrong axis.
COHERENT = 0.5
#: Gaps of this length between steps and after a pilot tone are no interruptions.
STEP_GAP_S, PILOT_GAP_S = 1.0, 3.0
#: Several stretches together are no longer than this relative to the description, or than a track
#: of unknown duration may be.
LONGEST, LONGEST_UNKNOWN_S = 1.8, 1200.0
#: A track of unknown duration lasts at least this long.
SHORTEST_S = 1.5
#: Part of a track that must be there.
PART_MIN = 0.5
#: Part of a sweep that must lie on its line, and how near, in octaves.
ON_LINE_MIN, ON_LINE_OCTAVES = 0.4, 0.12
#: A sweep with more inaudible octaves than this costs 1 for each further one.
UNHEARD_FREE_OCTAVES, UNHEARD_MAX = 0.5, 1.5
#: The needle jumped within a sweep if this part is off its line, all by one time of this or more
#: (a turn takes 1.33 s or 1.8 s).
JUMP_OFF_LINE, JUMP_S = 0.1, 1.0
#: Part of a sweep that must be audible: its ends may be too weak.
SWEEP_PART_MIN = 0.5
#: Noise fills at least, and one or two tones at most, this many bands.
NOISE_BANDS_MIN, TONE_BANDS_MAX = 5, 5


class Played(NamedTuple):
    """The sound of a capture, and what is known of it beforehand.

    Attributes
    ----------
    spans : sequence of (start_s, stop_s)
        The stretches of modulation, in order.
    sounding : Sounding
        Its readings.
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
    """Assumptions about a whole capture: its speed relative to the record's, and its channels."""

    speed: float = 1.0
    exchanged: bool = False
    inverted: bool = False

    @property
    def cost(self) -> float:
        """How implausible they are in advance."""
        return (
            COSTS.exchanged * self.exchanged
            + COSTS.inverted * self.inverted
            + COSTS.other_speed * (abs(self.speed - 1.0) > 0.05)
        )


@dataclass(frozen=True)
class Match:
    """One planned track on stretches `first` to `last`, both included.

    Attributes
    ----------
    position : int
        The track's place on the side, from 0.
    start_s, stop_s : float
        Where the track lies; a sweep may extend beyond its audible part.
    cost : float
        How implausible it is.
    part : float
        The audible part of the planned duration.
    speed : float
        Played over planned frequency; NaN where it can't be read.
    off_line : float
        Part of a sweep's moments that lie off its line.
    jumped : bool
        Whether the needle jumped within a sweep: off its line, and longer or shorter for it.
    silent_s : float
        How long it is interrupted.
    off_octaves : ndarray
        Distance of each reading from the frequency it should have; NaN where there is no sound.
    balance_db, coherence : float
        What the channels carry of it, as in `Sounding`.
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
    off_octaves: np.ndarray
    balance_db: float
    coherence: float


def placements(position: int, track: Track, played: Played, speed: float) -> list[Match]:
    """List the runs of stretches that could be the track by duration and frequency."""
    longest_s = LONGEST * track.duration_s / speed if track.duration_s else LONGEST_UNKNOWN_S
    free_s = STEP_GAP_S if track.steps > 1 else PILOT_GAP_S if track.pilot_hz else 0.0
    ends_are_known = track.duration_s is not None or track.kind == "sweep"
    a_second = COSTS.interrupted_per_s if ends_are_known else COSTS.interrupted_per_s_unknown
    found = []
    for first, (start_s, _) in enumerate(played.spans):
        silent_s = excess_s = 0.0
        for last in range(first, len(played.spans)):
            stop_s = played.spans[last][1]
            interruption = 0.0
            if last > first:
                gap_s = played.spans[last][0] - played.spans[last - 1][1]
                silent_s += gap_s
                excess_s += max(gap_s - free_s, 0.0)
                interruption = COSTS.interrupted * (free_s == 0.0) + min(
                    a_second * excess_s, COSTS.match_max
                )
                if interruption >= COSTS.match_max or stop_s - start_s > longest_s:
                    break
            part = played.sounding.between(start_s, stop_s)
            place = _placed(track, part, start_s, stop_s, speed, played.duration_s)
            if place is None:
                continue
            cost = place.cost + interruption
            if last > first:
                cost += _strangers(part.time_s, place.off_octaves, played.spans[first : last + 1])
            if cost >= COSTS.match_max:
                continue
            match = Match(
                position, first, last, place.start_s, place.stop_s, cost, place.part, place.speed,
                place.off_line, place.jumped, silent_s, place.off_octaves,
                _typical(part.balance_db), _typical(part.coherence),
            )  # fmt: skip
            found.append(match)
    return found


def _strangers(
    time_s: np.ndarray, off_octaves: np.ndarray, spans: Sequence[tuple[float, float]]
) -> float:
    """Return the cost of stretches in a run that do not sound as the track should at that place."""
    cost = 0.0
    for start_s, stop_s in spans:
        first, last = np.searchsorted(time_s, (start_s, stop_s))
        off = off_octaves[first:last]
        off = off[np.isfinite(off)]
        if not len(off) or quantile(off, 0.5) > ON_LINE_OCTAVES:
            cost += COSTS.stranger + unexpected_cost(stop_s - start_s)
    return cost


def unexpected_cost(duration_s: float) -> float:
    """Return the cost of a stretch that is not planned, by its length."""
    return min(COSTS.unexpected + COSTS.unexpected_per_s * duration_s, COSTS.unexpected_max)


def relaid(match: Match, track: Track, played: Played, speed: float) -> Match:
    """Fit a matched sweep's line again, at the speed of the capture's tones."""
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
    """Add the cost of the channels' content to a match; None where it is then rejected."""
    driven = driven_in_file(track, played, assumption)
    if driven <= played.dead:
        return None
    if played.dead:
        return match
    if len(driven) == 1:
        toward_db = match.balance_db if "left" in driven else -match.balance_db
        cost = COSTS.wrong_channel * _clipped((ONE_SIDED_DB - toward_db) / ONE_SIDED_DB)
    else:
        inverted = played.inverted != assumption.inverted
        is_antiphase = (track.modulation == "vertical") != inverted
        toward = -match.coherence if is_antiphase else match.coherence
        cost = COSTS.wrong_channel * _clipped((abs(match.balance_db) - TWO_SIDED_DB) / TWO_SIDED_DB)
        cost += COSTS.wrong_axis * _clipped(COHERENT - toward)
    return replace(match, cost=match.cost + cost) if match.cost + cost < COSTS.match_max else None


def _typical(values: np.ndarray) -> float:
    """Return the median of readings, those without sound left out; some have sound."""
    return quantile(values[np.isfinite(values)], 0.5)


class _Place(NamedTuple):
    start_s: float
    stop_s: float
    cost: float
    part: float
    speed: float
    off_octaves: np.ndarray
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
    """Return where a track would lie on a stretch, and at what cost; None if it can't."""
    heard = np.isfinite(part.frequency_hz)
    if not heard.any():
        return None
    if track.kind == "sweep":
        return _sweep_placed(track, part, start_s, stop_s, speed)
    lasts_s = stop_s - start_s
    relative = lasts_s * speed / track.duration_s if track.duration_s else 1.0
    if relative < PART_MIN or (track.duration_s is None and lasts_s < SHORTEST_S):
        return None
    cut = min(start_s, duration_s - stop_s) < 0.5 and relative < 1.0
    cost = 0.5 if cut else beyond(abs(np.log(relative)), DURATION_FREE, DURATION_STEP, 3.0)
    if track.kind == "noise":
        bands = quantile(part.bands[heard], 1.0 - MOST)
        cost += COSTS.band * max(NOISE_BANDS_MIN - bands, 0.0)
        off_octaves = np.where(heard, np.where(part.bands < NOISE_BANDS_MIN, 1.0, 0.0), np.nan)
        return _Place(start_s, stop_s, cost, relative, np.nan, off_octaves)
    cost += COSTS.band * max(quantile(part.bands[heard], 0.5) - TONE_BANDS_MAX, 0.0)
    best = (np.inf, np.nan, np.empty(0))
    for line_hz in _possible_lines(track, part.time_s, start_s, stop_s, speed):
        off = np.log2(part.frequency_hz / (line_hz * speed))
        typical = quantile(np.abs(off[heard]), MOST)
        if typical < best[0]:
            best = (typical, speed * 2.0 ** quantile(off[heard], 0.5), np.abs(off))
    cost += beyond(best[0], FREQUENCY_FREE_OCTAVES, FREQUENCY_STEP_OCTAVES, 2 * COSTS.match_max)
    return _Place(start_s, stop_s, cost, relative, best[1], best[2])


def _possible_lines(
    track: Track, time_s: np.ndarray, start_s: float, stop_s: float, speed: float
) -> list[np.ndarray]:
    """Return the frequencies that the strongest tone may have.

    A stepped track may be cut at either end.
    """
    if track.kind != "tone_steps":
        return expected_hz(track, np.zeros(len(time_s)))
    lines = expected_hz(track, (time_s - start_s) / (stop_s - start_s))
    if track.duration_s:
        planned_s = track.duration_s / speed
        for from_s in (start_s, stop_s - planned_s):
            lines += expected_hz(track, (time_s - from_s) / planned_s)
    return lines


def _sweep_placed(
    track: Track, part: Sounding, start_s: float, stop_s: float, speed: float
) -> _Place | None:
    """Fit a sweep's line to its audible part."""
    heard = np.isfinite(part.frequency_hz)
    off_octaves = np.full(len(part.time_s), np.nan)
    if track.pilot_hz:
        heard = _without_pilot(track, part, heard, speed)
        off_octaves[np.isfinite(part.frequency_hz) & ~heard] = 0.0
    time_s, frequency_hz = part.time_s[heard], part.frequency_hz[heard]
    line = fitted_line(track, time_s, frequency_hz, speed)
    if line is None:
        return None
    off = octaves_off(track, line, time_s, frequency_hz / speed)
    usable = np.isfinite(off)
    off = np.abs(np.where(usable, off, range_octaves(track)))
    # A running median: single readings of a weak tone are no jump of the needle.
    smooth = running_median(off, 5)
    on_line = smooth < ON_LINE_OCTAVES
    off_octaves[heard] = smooth
    heard_from_s = max(start_s, line.start_s)
    there = (min(stop_s, line.stop_s) - heard_from_s) / line.duration_s
    if on_line.mean() < ON_LINE_MIN or there < SWEEP_PART_MIN:
        return None
    outside_s = max(stop_s - line.stop_s, 0.0)
    if not track.pilot_hz:
        outside_s += max(line.start_s - start_s, 0.0)
    cost = beyond(
        quantile(off[on_line], 0.5),
        FREQUENCY_FREE_OCTAVES,
        FREQUENCY_STEP_OCTAVES,
        COSTS.match_max,
    )
    cost += COSTS.off_line * float(1.0 - on_line.mean())
    cost += beyond(outside_s / line.duration_s, DURATION_FREE, DURATION_STEP, 3.0)
    if track.duration_s:
        stretched = line.duration_s * speed / track.duration_s
        cost += beyond(abs(math.log(stretched)), DURATION_FREE, DURATION_STEP, 3.0)
    cost += beyond(1.0 - there, 0.3, 0.2, 2.0)
    unheard_octaves = max(1.0 - there, 0.0) * range_octaves(track)
    cost += beyond(unheard_octaves, UNHEARD_FREE_OCTAVES, 1.0, UNHEARD_MAX)
    off_line = float(1.0 - on_line.mean())
    late_s = time_s - line.time_s(part_of_range(track, frequency_hz / speed))
    jumped = off_line > JUMP_OFF_LINE and _is_a_jump(late_s[usable & ~on_line])
    return _Place(line.start_s, line.stop_s, cost, there, np.nan, off_octaves, off_line, jumped)


def _without_pilot(track: Track, part: Sounding, heard: np.ndarray, speed: float) -> np.ndarray:
    """Return the readings without those of the pilot tone at their beginning."""
    assert track.pilot_hz
    off = np.abs(np.log2(part.frequency_hz / (track.pilot_hz * speed)))
    other = heard & ~(off < FREQUENCY_FREE_OCTAVES + FREQUENCY_STEP_OCTAVES)
    return heard & (np.cumsum(other) > 0)


def _is_a_jump(late_s: np.ndarray) -> bool:
    """Whether moments off a sweep's line lie on another, later or earlier by some turns."""
    if len(late_s) < POINTS_MIN:
        return False
    middle_s = quantile(late_s, 0.5)
    return abs(middle_s) > JUMP_S > 4.0 * quantile(np.abs(late_s - middle_s), 0.5)


def expected_hz(track: Track, part: np.ndarray) -> list[np.ndarray]:
    """Return the frequency of a track's strongest tone at parts of its duration.

    Each row is a possibility.

    Before its start and after its end, a track's first and last frequency.
    """
    part = np.clip(part, 0.0, 1.0)
    if track.kind == "sweep":
        start_hz, stop_hz = ends_hz(track)
        if track.law == "log":
            return [start_hz * (stop_hz / start_hz) ** part]
        return [start_hz + (stop_hz - start_hz) * part]
    if track.kind == "tone_steps":
        step = np.minimum((part * track.steps).astype(int), track.steps - 1)
        return [np.array(track.frequencies_hz)[step]]
    tones = track.frequencies_hz if track.kind == "two_tone" else (track.frequency_hz,)
    return [np.full(len(part), float(tone)) for tone in tones if tone]


def _clipped(cost: float) -> float:
    return min(max(cost, 0.0), 1.0)


def beyond(value: float, free: float, step: float, limit: float) -> float:
    """Return the cost of a deviation: nothing up to `free`, then 1 each `step`, up to `limit`."""
    return float(min(max(value - free, 0.0) / step, limit))
