"""Which planned track is which stretch: the cheapest way to read a capture as a record side.

Costs are in steps of plausibility: a missing track costs `MISSING`, and nothing is matched that is
less plausible than to be missing and unexpected. Tracks are matched in playing order, to one
stretch or to several in a row, so that a dropout, a tick or a repeated track costs one track at
most.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from grooveledger.plan import Side, Track
from grooveledger.stretches import Sounding

#: Cost of a planned track that is not there, and of a stretch that is not planned (by its length).
MISSING = 3.0
UNEXPECTED, UNEXPECTED_PER_S, UNEXPECTED_MAX = 0.3, 0.25, 2.5
#: A match dearer than this is none.
MATCH_MAX = 4.0
#: A frequency may be off by this many octaves (wow, speed, the reading), then each further step of
#: the second costs 1.
FREQUENCY_FREE_OCTAVES, FREQUENCY_STEP_OCTAVES = 0.03, 0.06
#: Duration may be off by this fraction (plans are rounded), then each further step costs 1.
DURATION_FREE, DURATION_STEP = 0.06, 0.15
#: Levels of the channels differ by at least this where one groove wall is driven, else by less.
ONE_SIDED_DB, TWO_SIDED_DB = 5.0, 9.0
#: Costs of the wrong channel, and of the wrong axis (lateral for vertical).
CHANNEL, AXIS = 2.5, 1.5
#: Interval between the starts of two tracks: free play, and the cost beyond.
INTERVAL_FREE_S, INTERVAL_FREE, INTERVAL_STEP_S, INTERVAL_MAX = 2.0, 0.08, 4.0, 3.0
#: Cost of what has to be assumed of the whole capture before its tracks fit.
EXCHANGED, INVERTED, OTHER_SPEED = 1.5, 0.5, 2.0
#: Speeds of turntables, rpm.
TURNTABLE_RPM = (16.6667, 33.3333, 45.0, 78.26)
#: Part of a track that must be there.
PART_MIN = 0.5
#: Part of a sweep's frames that must lie on its line, and how near, in octaves.
ON_LINE_MIN, ON_LINE_OCTAVES = 0.6, 0.12


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

    `start_s` and `stop_s` are where the track lies, which on a sweep may be beyond what is heard.
    `speed` is the played over the planned frequency, NaN where it can't be told.
    """

    position: int
    first: int
    last: int
    start_s: float
    stop_s: float
    cost: float
    part: float
    speed: float


@dataclass(frozen=True)
class Alignment:
    """The cheapest reading of a capture."""

    assumption: Assumption
    matches: tuple[Match, ...]
    cost: float


def align(
    spans: Sequence[tuple[float, float]],
    sounding: Sounding,
    side: Side,
    duration_s: float,
    swapped: bool = False,
    inverted: bool = False,
    dead: frozenset[str] = frozenset(),
) -> Alignment:
    """Find the cheapest reading of a capture's stretches as a side's tracks.

    Parameters
    ----------
    spans : sequence of (start_s, stop_s)
        The stretches, in order.
    sounding : Sounding
        What is heard in the capture.
    side : Side
        The plan.
    duration_s : float
        Length of the capture.
    swapped : bool
        Whether the file's channels are known to be exchanged.
    inverted : bool
        Whether one of them is known to be of inverted polarity.
    dead : frozenset of str
        Channels of the file that carry nothing.
    """
    speeds = [1.0] + [
        rpm / side.rpm for rpm in TURNTABLE_RPM if 0.05 < abs(rpm / side.rpm - 1.0) < 0.4
    ]
    assumptions = [
        Assumption(speed, exchanged, inverted)
        for speed in speeds
        for exchanged in (False, True)
        for inverted in (False, True)
    ]
    known = Assumption(1.0, swapped, inverted)
    readings = [
        _align(spans, sounding, side, duration_s, known, dead, assumption)
        for assumption in assumptions
    ]
    return min(readings, key=lambda reading: reading.cost)


def _align(
    spans: Sequence[tuple[float, float]],
    sounding: Sounding,
    side: Side,
    duration_s: float,
    known: Assumption,
    dead: frozenset[str],
    assumption: Assumption,
) -> Alignment:
    candidates = [
        match
        for position, track in enumerate(side.tracks)
        if track.modulation
        for match in _candidates(
            position, track, spans, sounding, duration_s, known, dead, assumption
        )
    ]
    # In order of their last stretch and place, so that what comes before is settled already.
    candidates.sort(key=lambda match: (match.last, match.position, match.first))
    missing = np.cumsum([0.0] + [MISSING * bool(track.modulation) for track in side.tracks])
    unexpected = np.cumsum([0.0] + [_unexpected(stop - start) for start, stop in spans])
    planned_s = _planned_starts(side)
    best: list[tuple[float, int]] = []
    for match in candidates:
        cost, before = missing[match.position] + unexpected[match.first], -1
        for i, earlier in enumerate(candidates[: len(best)]):
            if earlier.last >= match.first or earlier.position >= match.position:
                continue
            through = (
                best[i][0]
                + missing[match.position]
                - missing[earlier.position + 1]
                + unexpected[match.first]
                - unexpected[earlier.last + 1]
                + _interval_cost(earlier, match, planned_s, assumption.speed)
            )
            if through < cost:
                cost, before = through, i
        best.append((cost + match.cost, before))
    total, end = float(missing[-1] + unexpected[-1]), -1
    for i, match in enumerate(candidates):
        rest = missing[-1] - missing[match.position + 1] + unexpected[-1]
        whole = best[i][0] + rest - unexpected[match.last + 1]
        if whole < total - 1e-9:
            total, end = float(whole), i
    chain = []
    while end >= 0:
        chain.append(candidates[end])
        end = best[end][1]
    return Alignment(assumption, tuple(reversed(chain)), total + assumption.cost)


def _planned_starts(side: Side) -> np.ndarray:
    starts_s, at_s = [], 0.0
    for track in side.tracks:
        starts_s.append(at_s)
        at_s += track.duration_s + side.gap_s
    return np.array(starts_s)


def _unexpected(duration_s: float) -> float:
    return min(UNEXPECTED + UNEXPECTED_PER_S * duration_s, UNEXPECTED_MAX)


def _interval_cost(earlier: Match, later: Match, planned_s: np.ndarray, speed: float) -> float:
    planned = planned_s[later.position] - planned_s[earlier.position]
    off_s = abs((later.start_s - earlier.start_s) * speed - planned)
    return _beyond(off_s, INTERVAL_FREE_S + INTERVAL_FREE * planned, INTERVAL_STEP_S, INTERVAL_MAX)


def _candidates(
    position: int,
    track: Track,
    spans: Sequence[tuple[float, float]],
    sounding: Sounding,
    duration_s: float,
    known: Assumption,
    dead: frozenset[str],
    assumption: Assumption,
) -> list[Match]:
    """All runs of stretches that could be the track, each with its cost."""
    exchanged = known.exchanged != assumption.exchanged
    inverted = known.inverted != assumption.inverted
    driven = {_file_channel(channel, exchanged) for channel in track.driven_channels}
    if driven <= dead:
        return []
    planned_s = track.duration_s / assumption.speed
    found = []
    for first, (start_s, _) in enumerate(spans):
        silent_s = 0.0
        for last in range(first, len(spans)):
            stop_s = spans[last][1]
            if last > first:
                silent_s += spans[last][0] - spans[last - 1][1]
            if stop_s - start_s > 1.6 * planned_s + 2.0 and last > first:
                break
            part = sounding.between(start_s, stop_s)
            place = _placed(track, part, start_s, stop_s, assumption.speed, duration_s)
            if place is None:
                continue
            cost = place.cost + _channel_cost(track, part, driven, dead, inverted)
            cost += _interruption_cost(track, silent_s)
            if cost < MATCH_MAX:
                found.append(
                    Match(
                        position,
                        first,
                        last,
                        place.start_s,
                        place.stop_s,
                        cost,
                        place.part,
                        place.speed,
                    )
                )
    return found


class _Place(NamedTuple):
    start_s: float
    stop_s: float
    cost: float
    part: float
    speed: float


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
    if relative < (PART_MIN if cut else 0.4 * PART_MIN):
        return None
    best = (np.inf, np.nan)
    for from_s in (start_s, stop_s - planned_s):
        for line in expected_hz(track, (time_s - from_s) * speed):
            off = np.log2(frequency_hz / (line * speed))
            off_octaves = float(np.median(np.abs(off)))
            best = min(best, (off_octaves, float(speed * 2.0 ** np.median(off))))
    cost = _beyond(best[0], FREQUENCY_FREE_OCTAVES, FREQUENCY_STEP_OCTAVES, 2 * MATCH_MAX)
    off_duration = abs(np.log(relative))
    cost += 0.5 if cut else _beyond(off_duration, DURATION_FREE, DURATION_STEP, 3.0)
    return _Place(start_s, stop_s, cost, min(relative, 1.0), best[1])


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
    if usable.sum() < 3 or usable.mean() < ON_LINE_MIN:
        return None
    from_s = float(np.median((time_s - inside_s)[usable]))
    off = _octaves_off_line(track, time_s - from_s, frequency_hz, speed)
    on_line = off < ON_LINE_OCTAVES
    covered = min(stop_s, from_s + planned_s) - max(start_s, from_s)
    part = covered / planned_s
    if on_line.mean() < ON_LINE_MIN or part < 0.4:
        return None
    outside_s = max(from_s - start_s, 0.0) + max(stop_s - from_s - planned_s, 0.0)
    cost = _beyond(
        float(np.median(off[on_line])), FREQUENCY_FREE_OCTAVES, FREQUENCY_STEP_OCTAVES, MATCH_MAX
    )
    cost += 2.0 * float(1.0 - on_line.mean())
    cost += _beyond(outside_s / planned_s, 0.03, DURATION_STEP, 3.0)
    cost += _beyond(1.0 - part, 0.3, 0.2, 2.0)
    return _Place(from_s, from_s + planned_s, cost, part, np.nan)


def _octaves_off_line(
    track: Track, inside_s: np.ndarray, frequency_hz: np.ndarray, speed: float
) -> np.ndarray:
    line_hz = expected_hz(track, inside_s * speed)[0] * speed
    return np.asarray(np.abs(np.log2(frequency_hz / line_hz)))


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


def _channel_cost(
    track: Track,
    part: Sounding,
    driven: set[str],
    dead: frozenset[str],
    inverted: bool,
) -> float:
    if dead:
        return 0.0
    balance_db = float(np.nanmedian(part.balance_db))
    if len(driven) == 1:
        toward_db = balance_db if "left" in driven else -balance_db
        return CHANNEL * float(np.clip((ONE_SIDED_DB - toward_db) / (2 * ONE_SIDED_DB), 0.0, 1.0))
    cost = CHANNEL * float(np.clip((abs(balance_db) - TWO_SIDED_DB) / TWO_SIDED_DB, 0.0, 1.0))
    coherence = float(np.nanmedian(part.coherence))
    antiphase = (track.modulation == "vertical") != inverted
    toward = -coherence if antiphase else coherence
    return cost + AXIS * float(np.clip(0.5 - toward, 0.0, 1.0))


def _interruption_cost(track: Track, silent_s: float) -> float:
    steps = max(len(track.frequencies_hz), len(track.amplitudes_um)) if track.step_s else 0
    return _beyond(silent_s, 0.5 * steps, 1.0, 3.0) + (0.2 if silent_s and not steps else 0.0)


def _file_channel(channel: str, exchanged: bool) -> str:
    return {"left": "right", "right": "left"}[channel] if exchanged else channel


def _beyond(value: float, free: float, step: float, limit: float) -> float:
    """Cost of a deviation: nothing up to `free`, then 1 each `step`, up to `limit`."""
    return float(min(max(value - free, 0.0) / step, limit))
