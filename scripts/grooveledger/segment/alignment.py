"""Which planned track is which stretch: the cheapest way to read a capture as a record side.

The costs of a match are those of `plausibility`. Tracks are matched in playing order, to one
stretch or to several in a row, so that a dropout, a tick or a repeated track costs one track at
most.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from grooveledger.plan import Side, Track
from grooveledger.segment.costs import COSTS
from grooveledger.segment.plausibility import (
    Assumption,
    Match,
    Played,
    beyond,
    placements,
    unexpected_cost,
    with_channels,
)

#: Time between two tracks: how far it may be off, and the cost beyond.
INTERVAL_FREE_S, INTERVAL_FREE, INTERVAL_STEP_S, INTERVAL_MAX = 2.0, 0.12, 4.0, 3.0
#: Longest gap of a side whose description has none.
UNKNOWN_GAP_MAX_S = 15.0
#: Of a track that was played twice, the first one counts, if it is as likely and as whole as this.
REPEAT_COST, REPEAT_PART = 0.5, 0.15
#: Speeds of turntables, rpm, and how far from the record's speed one is taken for another.
TURNTABLE_RPM = (16.6667, 33.3333, 45.0, 78.26)
OTHER_SPEED_MIN, OTHER_SPEED_MAX = 0.05, 1.4


@dataclass(frozen=True)
class Alignment:
    """The cheapest reading of a capture."""

    assumption: Assumption
    matches: tuple[Match, ...]
    cost: float

    @property
    def claimed(self) -> set[int]:
        """Stretches that a track lies on."""
        return {i for match in self.matches for i in range(match.first, match.last + 1)}

    @property
    def positions(self) -> list[int]:
        """Places on the side of the tracks that were matched."""
        return [match.position for match in self.matches]


def align(played: Played, side: Side) -> Alignment:
    """Find the cheapest reading of a capture's stretches as a side's tracks."""
    speeds = [1.0] + [
        rpm / side.rpm
        for rpm in TURNTABLE_RPM
        if OTHER_SPEED_MIN < abs(rpm / side.rpm - 1.0) < OTHER_SPEED_MAX
    ]
    # A dead channel leaves the other one's name and polarity open.
    either = (False,) if played.dead else (False, True)
    best: Alignment | None = None
    for speed in speeds:
        # Costs only add up: what costs too much before anything is compared can't be cheapest.
        assumptions = [
            Assumption(speed, exchanged, inverted) for exchanged in either for inverted in either
        ]
        if best and min(assumption.cost for assumption in assumptions) >= best.cost:
            continue
        placed = _placements(played, side, speed)
        for assumption in assumptions:
            reading = _align(played, side, placed, assumption)
            if best is None or reading.cost < best.cost:
                best = reading
    assert best is not None
    return best


def resembled(
    span: tuple[float, float], played: Played, side: Side, assumption: Assumption
) -> Track | None:
    """Name the planned track that a stretch is most like, whatever its place; None for none."""
    alone = played._replace(spans=[span])
    placed = _placements(alone, side, assumption.speed)
    likely = _likely(alone, side, placed, assumption)
    nearest = min(likely, key=lambda match: match.cost, default=None)
    return side.tracks[nearest.position] if nearest else None


def _placements(played: Played, side: Side, speed: float) -> list[Match]:
    return [
        match
        for position, track in enumerate(side.tracks)
        if track.modulation
        for match in placements(position, track, played, speed)
    ]


def _likely(
    played: Played, side: Side, placed: Sequence[Match], assumption: Assumption
) -> list[Match]:
    likely = [
        with_channels(match, side.tracks[match.position], played, assumption) for match in placed
    ]
    return [match for match in likely if match]


def _align(
    played: Played, side: Side, placed: Sequence[Match], assumption: Assumption
) -> Alignment:
    likely = _likely(played, side, placed, assumption)
    # In order of their last stretch and place, so that what comes before is settled already.
    likely.sort(key=lambda match: (match.last, match.position, match.first))
    missing = np.cumsum([0.0] + [COSTS.missing * bool(track.modulation) for track in side.tracks])
    unexpected = np.cumsum([0.0] + [unexpected_cost(stop - start) for start, stop in played.spans])
    others = np.cumsum([0] + [track.kind == "other" for track in side.tracks])
    best: list[tuple[float, int]] = []
    for match in likely:
        strange = 0.0 if others[match.position] else unexpected[match.first]
        cost, before = missing[match.position] + strange, -1
        for i, earlier in enumerate(likely[: len(best)]):
            if earlier.last >= match.first or earlier.position >= match.position:
                continue
            through = best[i][0] + missing[match.position] - missing[earlier.position + 1]
            if others[match.position] == others[earlier.position]:
                through += unexpected[match.first] - unexpected[earlier.last + 1]
            if through < cost:
                through += _interval_cost(earlier, match, side, played, assumption.speed)
            if through < cost:
                cost, before = through, i
        best.append((cost + match.cost, before))
    total, end = float(missing[-1] + unexpected[-1]), -1
    for i, match in enumerate(likely):
        whole = best[i][0] + missing[-1] - missing[match.position + 1]
        if others[-1] == others[match.position]:
            whole += unexpected[-1] - unexpected[match.last + 1]
        if whole < total - 1e-9:
            total, end = float(whole), i
    chain = []
    while end >= 0:
        chain.append(likely[end])
        end = best[end][1]
    matches = _first_played(chain[::-1], likely)
    return Alignment(assumption, tuple(matches), total + assumption.cost)


def _first_played(chain: Sequence[Match], likely: Sequence[Match]) -> list[Match]:
    """Of a track that was played more than once, take the first whole one."""
    matches: list[Match] = []
    for match in chain:
        after = matches[-1].last if matches else -1
        earlier = [
            other
            for other in likely
            if other.position == match.position
            and after < other.first
            and other.last < match.first
            and other.cost < match.cost + REPEAT_COST
            and abs(other.part - 1.0) < REPEAT_PART
        ]
        matches.append(min(earlier, key=lambda other: other.first, default=match))
    return matches


def _interval_cost(earlier: Match, later: Match, side: Side, played: Played, speed: float) -> float:
    """Return the cost of the time between two tracks.

    Unplanned stretches between them either took the place of missing tracks or added to the time.
    """
    least_s, most_s = _interval_s(side, earlier.position, later.position)
    between_s = (later.start_s - earlier.stop_s) * speed
    between = played.spans[earlier.last + 1 : later.first]
    added_s = sum(stop_s - start_s for start_s, stop_s in between) * speed
    off_s = min(
        max(least_s - time_s, time_s - most_s, 0.0) for time_s in (between_s, between_s - added_s)
    )
    return beyond(off_s, 0.0, INTERVAL_STEP_S, INTERVAL_MAX)


def _interval_s(side: Side, earlier: int, later: int) -> tuple[float, float]:
    """Return the least and the greatest time between two tracks at the record's speed."""
    gaps = later - earlier
    least_s = most_s = 0.0
    if side.gap_s is None:
        most_s += gaps * UNKNOWN_GAP_MAX_S
    else:
        least_s += gaps * side.gap_s * (1.0 - INTERVAL_FREE)
        most_s += gaps * side.gap_s * (1.0 + INTERVAL_FREE)
    for track in side.tracks[earlier + 1 : later]:
        least_s += (track.duration_s or 0.0) * (1.0 - INTERVAL_FREE)
        most_s += (track.duration_s or math.inf) * (1.0 + INTERVAL_FREE)
    return least_s - INTERVAL_FREE_S, most_s + INTERVAL_FREE_S
