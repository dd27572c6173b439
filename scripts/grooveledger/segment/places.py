"""Place a side's tracks, once it is known which stretches of the capture they are."""

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from grooveledger.plan import Side, Track
from grooveledger.schemas.states import TrackMatch
from grooveledger.segment.health import CLEAN, LEADS, RUN_ON, UNGATED, Part, track_remark
from grooveledger.segment.plausibility import ON_LINE_OCTAVES, Match, Played
from grooveledger.segment.stretches import Heard, Stretch
from grooveledger.segment.sweep_line import BLURRED_BELOW_HZ, ends_hz, range_octaves

#: Beginning and end of a track in the capture, s; beyond its ends where the capture cuts it off.
Extent = tuple[float, float]

#: A sweep is heard up to its end where its last reading is this close to the described frequency,
#: in octaves and in time: the description's ends may be 6 % off, and readings are 0.1 s apart.
REACHED_OCTAVES, REACHED_S = 0.09, 0.1
#: A reading this close to the beginning or end of a stretch belongs to it.
AT_EDGE_S = 0.3
#: A sweep whose beginning is missing by more than this can't be followed.
START_BEFORE_S = 1.0
#: A sound within a silent groove is at least this far from its neighbours.
BESIDE_S = 0.3
#: A gap longer than this many times the usual one is none: something is missing there. A silent
#: groove's own gaps may be longer by this factor than the longest of the others.
GAP_MAX, GAP_MARGIN = 1.5, 1.1
#: A silent groove at the end of a side is taken to be this much shorter than described.
END_PART = 0.9
#: An unplanned sound this long is no tick in a silent groove, but lies beside it.
STRANGE_S = 2.0
#: Gap assumed where neither the capture nor the description gives one (common practice: 4 s), and
#: the part of the time between two tracks that it may take.
USUAL_GAP_S, USUAL_GAP_PART = 4.0, 0.25
#: The needle's thump and its ringing are over after this time.
SETTLED_S = 1.0
#: Part of its planned duration that a silent groove must have, or time where none is planned.
SILENT_PART_MIN, SILENT_MIN_S = 0.5, 2.0
#: Part of it that may be digital silence in all: with more, its noise is understated by 0.2 dB or
#: more.
NOTHING_PART_MAX = 0.05
#: A shorter sound is no track of kind `other`.
OTHER_MIN_S = 0.5
#: Remark on a silent groove whose neighbour, before or after it, is missing.
UNPLACED = "can't be placed, the track {} it is missing: capture again if you need it"


def sound_part(track: Track, match: Match, extent_s: Extent, heard: Heard) -> Part:
    """Place a modulated track that was matched."""
    if match.jumped:
        remark = f"can't be measured, the needle jumped while it played: {CLEAN}"
        return Part(track, TrackMatch.MISSING, heard=match, remark=remark)
    start_s, stop_s = extent_s
    if start_s < -START_BEFORE_S:
        remark = "can't be measured, the capture begins within it: start the recorder earlier"
        return Part(track, TrackMatch.MISSING, heard=match, remark=remark)
    remark = track_remark(track, match, extent_s, heard)
    within = max(start_s, 0.0), min(stop_s, heard.envelope.duration_s)
    return Part(track, TrackMatch.FOUND, *within, match, remark)


def extent(played: Played, track: Track, match: Match, speed: float) -> Extent:
    """Return a track's audible ends, or those of a sweep's line where they are inaudible."""
    spans = played.spans[match.first : match.last + 1]
    start_s, stop_s = spans[0][0], spans[-1][1]
    if track.kind != "sweep" or match.jumped:
        return start_s, stop_s
    part = played.sounding.between(start_s, stop_s)
    on_line = np.flatnonzero(match.off_octaves < ON_LINE_OCTAVES)
    if track.pilot_hz:
        on_line = on_line[part.time_s[on_line] > match.start_s - AT_EDGE_S]
    if not len(on_line):
        return match.start_s, match.stop_s
    ends_s: list[float | None] = []
    lasts_s = match.stop_s - match.start_s
    for at, edges_s, described_hz in zip(
        (on_line[0], on_line[-1]), zip(*spans, strict=True), ends_hz(track), strict=True
    ):
        off = abs(np.log2(part.frequency_hz[at] / (described_hz * speed)))
        reached = off < REACHED_OCTAVES + REACHED_S * range_octaves(track) / lasts_s
        edge_s = min(edges_s, key=lambda s: abs(s - part.time_s[at]))
        at_edge = abs(edge_s - part.time_s[at]) < AT_EDGE_S
        ends_s.append(edge_s if reached and at_edge else None)
    from_s, until_s = ends_s
    # An inaudible end is the line's; where the line is blurred there, it is laid from the other
    # end.
    start_hz, stop_hz = ends_hz(track)
    if from_s is None:
        blurred = start_hz < BLURRED_BELOW_HZ
        from_s = until_s - lasts_s if blurred and until_s is not None else match.start_s
    if until_s is None:
        until_s = from_s + lasts_s if stop_hz < BLURRED_BELOW_HZ else match.stop_s
    return from_s, until_s


def with_pilot(played: Played, track: Track, match: Match | None, extent_s: Extent) -> Extent:
    """Return a track's extent with the pilot tone before it, if it has one."""
    if not track.pilot_hz or match is None:
        return extent_s
    return min(played.spans[match.first][0], extent_s[0]), extent_s[1]


def other_extents(
    heard: Heard, side: Side, extents: Mapping[int, Extent], claimed: set[int]
) -> dict[int, Extent]:
    """Place tracks of kind `other` on the sound between their neighbours that no track claims."""
    placed: dict[int, Extent] = {}
    others = [i for i, track in enumerate(side.tracks) if track.kind == "other"]
    first_s, last_s = heard.groove_s
    for run in _neighbouring(others, extents):
        before = [stop_s for i, (_, stop_s) in extents.items() if i < run[0]]
        after = [start_s for i, (start_s, _) in extents.items() if i > run[-1]]
        from_s, until_s = max(before, default=first_s), min(after, default=last_s)
        free = [
            stretch
            for i, stretch in enumerate(heard.stretches)
            if i not in claimed and from_s <= stretch.start_s and stretch.stop_s <= until_s
        ]
        groups = _grouped(free, len(run))
        placed.update(zip(run, groups, strict=False))
    return placed


def _neighbouring(others: Sequence[int], extents: Mapping[int, Extent]) -> list[list[int]]:
    """Group positions between which no track was placed."""
    runs: list[list[int]] = []
    for position in others:
        if runs and not any(runs[-1][-1] < i < position for i in extents):
            runs[-1].append(position)
        else:
            runs.append([position])
    return runs


def _grouped(free: Sequence[Stretch], count: int) -> list[Extent]:
    """Split stretches into at most `count` groups at the longest silences between them."""
    if not free:
        return []
    silences_s = [later.start_s - earlier.stop_s for earlier, later in pairwise(free)]
    cuts = sorted(np.argsort(silences_s, kind="stable")[::-1][: count - 1] + 1)
    ends = pairwise([0, *cuts, len(free)])
    groups = [(free[first].start_s, free[end - 1].stop_s) for first, end in ends]
    return [(start_s, stop_s) for start_s, stop_s in groups if stop_s - start_s >= OTHER_MIN_S]


def usual_gaps_s(side: Side, extents: Mapping[int, Extent], speed: float) -> Extent | None:
    """Return the shortest and the longest silence between neighbouring tracks of this capture.

    Without neighbours it is the described gap; None where that is missing, too.
    """
    gaps_s = np.array(
        [
            extents[position + 1][0] - extents[position][1]
            for position in extents
            if position + 1 in extents
        ]
    )
    if len(gaps_s):
        usual_s = gaps_s[gaps_s <= GAP_MAX * np.median(gaps_s)]
        return float(usual_s.min()) / GAP_MARGIN, GAP_MARGIN * float(usual_s.max())
    if side.gap_s is None:
        return None
    return side.gap_s / speed / GAP_MARGIN, GAP_MARGIN * side.gap_s / speed


def silent_part(
    heard: Heard,
    side: Side,
    position: int,
    extents: Mapping[int, Extent],
    speed: float,
    gaps_s: Extent | None,
) -> Part:
    """Place a silent groove between its neighbours, less a gap on either side.

    The gap taken is the longest of `gaps_s`, so that no part of a gap is left in the groove.
    """
    track = side.tracks[position]
    planned_s = track.duration_s / speed if track.duration_s else None
    first_s, last_s = heard.groove_s
    before, after = extents.get(position - 1), extents.get(position + 1)
    shortest_s, longest_s = gaps_s or (0.0, USUAL_GAP_S)
    if before and after:
        before_s, after_s = _longest_free(heard, before[1], after[0])
        between_s = after_s - before_s
        beside_s = longest_s if gaps_s else min(longest_s, USUAL_GAP_PART * between_s)
        if planned_s:
            beside_s = max(beside_s, 0.5 * (between_s - planned_s))
        start_s, stop_s = before_s + beside_s, after_s - beside_s
    elif before and position + 1 == len(side.tracks) and planned_s:
        before_s, after_s = _longest_free(heard, before[1], last_s)
        start_s = before_s + longest_s
        stop_s = min(after_s, before_s + shortest_s + END_PART * planned_s)
    elif after and position == 0 and planned_s:
        before_s, after_s = _longest_free(heard, first_s + SETTLED_S, after[0])
        stop_s = after_s - longest_s
        start_s = max(before_s, after_s - shortest_s - END_PART * planned_s)
    elif planned_s is None and position in (0, len(side.tracks) - 1):
        remark = "can't be placed at the end of the side: give its duration_s"
        return Part(track, TrackMatch.MISSING, remark=remark)
    else:
        return Part(
            track, TrackMatch.MISSING, remark=UNPLACED.format("after" if before else "before")
        )
    there_s = max(stop_s - start_s, 0.0)
    if there_s < (SILENT_PART_MIN * planned_s if planned_s else SILENT_MIN_S):
        return Part(track, TrackMatch.MISSING, remark=f"lasts only {there_s:.1f} s: {RUN_ON}")
    nothing_s = sum(
        min(stop_s, until_s) - max(start_s, from_s)
        for from_s, until_s in heard.lost_s(0.0)
        if from_s < stop_s and until_s > start_s
    )
    if nothing_s > NOTHING_PART_MAX * there_s:
        remark = f"can't be measured, {nothing_s:.1f} s of it are digital silence: {UNGATED}"
        return Part(track, TrackMatch.MISSING, remark=remark)
    sounds_s = [
        stretch.start_s
        for stretch in heard.stretches
        if start_s + BESIDE_S < stretch.start_s and stretch.stop_s < stop_s - BESIDE_S
    ]
    remark = (
        f"is not silent at {', '.join(f'{at_s:.1f}' for at_s in sounds_s)} s: listen there, and "
        "capture again if it is no tick of the record"
        if sounds_s
        else ""
    )
    return Part(track, TrackMatch.FOUND, start_s, stop_s, remark=remark)


def _longest_free(heard: Heard, start_s: float, stop_s: float) -> Extent:
    """Return the longest span between two tracks without any longer sound in it."""
    edges_s = [start_s]
    for stretch in heard.stretches:
        is_inside = start_s <= stretch.start_s and stretch.stop_s <= stop_s
        if is_inside and stretch.duration_s >= STRANGE_S:
            edges_s += [stretch.start_s, stretch.stop_s]
    edges_s.append(stop_s)
    return max(zip(edges_s[::2], edges_s[1::2], strict=True), key=lambda ends: ends[1] - ends[0])


def missing_part(track: Track, driven: set[str], dead: frozenset[str]) -> Part:
    """Return a track that was not located, with a remark where its channel is dead."""
    mute = bool(driven) and driven <= dead
    remark = f"can't be measured, its channel carries nothing: {LEADS}" if mute else ""
    return Part(track, TrackMatch.MISSING, remark=remark)
