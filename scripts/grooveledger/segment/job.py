"""Stage 1: where the planned tracks lie in a capture, and whether it can be measured."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from grooveledger.faults import CaptureFault
from grooveledger.plan import Side, Track
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.segment.alignment import Alignment, align, resembled
from grooveledger.segment.envelope import FileFacts, read_envelope
from grooveledger.segment.health import (
    AT_END_S,
    CLEAN,
    LEADS,
    REJECTED,
    RUN_ON,
    UNGATED,
    Part,
    Verdict,
    judge,
    name_of,
    track_remark,
)
from grooveledger.segment.plausibility import MISSING, Match, Played, driven_in_file, relaid
from grooveledger.segment.sounding import repeats
from grooveledger.segment.splitting import split
from grooveledger.segment.stretches import Heard, Stretch, hear
from grooveledger.storage import tables
from grooveledger.storage.digests import file_sha256

#: Stretches are split where they change abruptly if the plan then fits better by this cost.
BETTER_BY = 1.0
#: Sides whose costs are nearer than this fit a capture equally well: a step of one track's
#: duration or frequency, less than a track that is missing or left over.
AS_WELL_WITHIN = 1.0
#: A stretch this short before the first or after the last track is the needle's own noise.
NEEDLE_NOISE_S = 1.5
#: Where what is heard of a sweep ends this near to its line's end, the end itself is heard.
HEARD_END_S = 0.06
#: Below, a period is longer than an end can be read to: it follows from the other end.
BLURRED_BELOW_HZ = 15.0
#: A sweep whose beginning is missing by more than this can't be followed.
START_BEFORE_S = 1.0
#: A sound within a silent groove is at least this far from its neighbours.
BESIDE_S = 0.3
#: Remark on a silent groove whose neighbour, before or after it, is missing.
UNPLACED = "can't be placed, the track {} it was not found: capture again if it is wanted"
#: Part of its planned duration that a silent groove must have.
SILENT_PART_MIN = 0.5
#: Part of it that may be digital silence, be it in pieces: more of it, and its noise is understated
#: by 0.2 dB and more.
NOTHING_PART_MAX = 0.05


def segment(
    path: str | Path,
    side: Side,
    settings: Mapping[str, Any],
    capture: str,
    swap_channels: bool = False,
    other_sides: Mapping[str, Side] | None = None,
    sha256: str | None = None,
    invert: Sequence[str] = (),
) -> tuple[pa.Table, pa.Table]:
    """Find a side's tracks in a capture and judge its health.

    Parameters
    ----------
    path : str or Path
        The capture.
    side : Side
        What the sheet says was played.
    settings : mapping
        The configuration's block `segment`.
    capture : str
        Its id, for the tables.
    swap_channels, invert
        As in the chain: the file's channels exchanged, channels of inverted polarity.
    other_sides : mapping of str to Side, optional
        Other sides that may have been played by mistake, by a name that a person knows them by.
    sha256 : str, optional
        The file's digest where it is known; else the file is hashed.

    Returns
    -------
    tracks, health : pyarrow.Table
        As `schemas.segment` declares them; levels, and left and right, are the file's channels.
        No fault of a file is raised: one that can't be measured has no tracks and is rejected with
        the reason.
    """
    try:
        envelope, facts = read_envelope(path, sha256)
    except CaptureFault as fault:
        known = sha256 or (file_sha256(Path(path)) if Path(path).is_file() else None)
        return tables.empty(TRACKS), _rejected(capture, known, str(fault))
    heard = hear(envelope)
    played = _played(heard, swap_channels, invert)
    others = {}
    for other in (other_sides or {}).values():
        reading = align(played, other)
        if _explains(reading, other):
            others[name_of(other)] = reading
    alignment = align(played, side)
    if alignment.cost > MISSING - BETTER_BY:
        split_up = split(hear(envelope, bridge_s=0.0))
        played_so = _played(split_up, swap_channels, invert)
        alignment_so = align(played_so, side)
        if alignment_so.cost < alignment.cost - BETTER_BY:
            heard, played, alignment = split_up, played_so, alignment_so
    parts = _parts(heard, facts, played, side, alignment)
    verdict = judge(heard, facts, side, alignment, parts, others, settings)
    if verdict.status == REJECTED:
        parts = []
    return _track_rows(capture, parts), _health_row(capture, facts, verdict)


def most_likely_sides(path: str | Path, sides: Mapping[str, Side]) -> list[str]:
    """Name the sides that a capture holds most likely, of those given.

    Returns
    -------
    list of str
        In the order given: the side that fits best and those that fit as well; none where none is
        likely.

    Raises
    ------
    CaptureFault
        The file can't be read.
    """
    played = _played(hear(read_envelope(path, sha256="")[0]), False, ())
    readings = {name: align(played, side) for name, side in sides.items()}
    costs = {
        name: reading.cost for name, reading in readings.items() if _explains(reading, sides[name])
    }
    return [name for name, cost in costs.items() if cost <= min(costs.values()) + AS_WELL_WITHIN]


def _explains(reading: Alignment, side: Side) -> bool:
    """Whether more of a side's modulated tracks are there than not."""
    planned = sum(track.modulation is not None for track in side.tracks)
    return 2 * len(reading.matches) > planned


def _played(heard: Heard, swap_channels: bool, invert: Sequence[str]) -> Played:
    return Played(
        spans=[(stretch.start_s, stretch.stop_s) for stretch in heard.stretches],
        sounding=heard.sounding,
        duration_s=heard.envelope.duration_s,
        exchanged=swap_channels,
        inverted=len(invert) == 1,
        dead=heard.dead,
    )


def _parts(
    heard: Heard, facts: FileFacts, played: Played, side: Side, alignment: Alignment
) -> list[Part]:
    """Place every planned track, and what is left over, in the capture."""
    speeds = [match.speed for match in alignment.matches if np.isfinite(match.speed)]
    speed = float(np.median(speeds)) if speeds else alignment.assumption.speed
    matches = {
        match.position: relaid(match, side.tracks[match.position], played, speed)
        for match in alignment.matches
    }
    extents = {
        position: _extent(heard, side.tracks[position], match, speed)
        for position, match in matches.items()
    }
    gap_s = _gap_s(side, extents, speed)
    parts = []
    for position, track in enumerate(side.tracks):
        match = matches.get(position)
        if match and match.jumped:
            remark = f"can't be measured, the needle jumped while it played: {CLEAN}"
            parts.append(Part(track, "missing", heard=match, remark=remark))
        elif match and match.start_s < -START_BEFORE_S:
            remark = "can't be measured, the capture begins within it: start the recorder earlier"
            parts.append(Part(track, "missing", heard=match, remark=remark))
        elif match:
            remark = track_remark(track, match, extents[position], heard)
            parts.append(Part(track, "found", *extents[position], match, remark))
        elif track.modulation:
            mute = driven_in_file(track, played, alignment.assumption) <= heard.dead
            remark = f"can't be measured, its channel carries nothing: {LEADS}" if mute else ""
            parts.append(Part(track, "missing", remark=remark))
        else:
            parts.append(_silent_part(heard, side, position, extents, speed, gap_s))
    parts += _left_over(heard, played, side, alignment, parts)
    return [_with_levels(part, heard, facts) for part in parts]


def _gap_s(side: Side, extents: Mapping[int, tuple[float, float]], speed: float) -> float:
    """Silence between tracks in this capture; the plan's where no two neighbours were found."""
    gaps_s = [
        extents[position + 1][0] - extents[position][1]
        for position in extents
        if position + 1 in extents
    ]
    return float(np.median(gaps_s)) if gaps_s else side.gap_s / speed


def _extent(heard: Heard, track: Track, match: Match, speed: float) -> tuple[float, float]:
    """Where a track lies: its heard ends, or those of a sweep's line where they are not heard."""
    start_s = heard.stretches[match.first].start_s
    stop_s = heard.stretches[match.last].stop_s
    if track.kind != "sweep":
        return start_s, stop_s
    start_is_clear = _is_clear(start_s, match.start_s, track.start_hz)
    stop_is_clear = _is_clear(stop_s, match.stop_s, track.stop_hz)
    planned_s = track.duration_s / speed
    if not start_is_clear:
        blurred = stop_is_clear and _is_blurred(track.start_hz)
        start_s = stop_s - planned_s if blurred else match.start_s
    if not stop_is_clear:
        blurred = start_is_clear and _is_blurred(track.stop_hz)
        stop_s = start_s + planned_s if blurred else match.stop_s
    return max(start_s, 0.0), min(stop_s, heard.envelope.duration_s)


def _is_clear(heard_s: float, line_s: float, frequency_hz: float | None) -> bool:
    """Whether an end of a sweep is heard where its line ends, sharply enough to go by."""
    return abs(heard_s - line_s) < HEARD_END_S and not _is_blurred(frequency_hz)


def _is_blurred(frequency_hz: float | None) -> bool:
    """Whether an end of a sweep is so low that neither it nor its line can be read sharply."""
    return frequency_hz is not None and frequency_hz < BLURRED_BELOW_HZ


def _silent_part(
    heard: Heard,
    side: Side,
    position: int,
    extents: Mapping[int, tuple[float, float]],
    speed: float,
    gap_s: float,
) -> Part:
    """A silent groove: from the end of the track before it to the start of the next."""
    track = side.tracks[position]
    planned_s = track.duration_s / speed
    first_s, last_s = heard.groove_s
    before, after = extents.get(position - 1), extents.get(position + 1)
    if before:
        start_s = before[1]
    elif position == 0 and after:
        start_s = max(first_s, after[0] - planned_s - gap_s)
    else:
        return Part(track, "missing", remark=UNPLACED.format("before"))
    if after:
        stop_s = after[0]
    elif position + 1 == len(side.tracks):
        stop_s = min(last_s, start_s + gap_s + planned_s)
    else:
        return Part(track, "missing", remark=UNPLACED.format("after"))
    there_s = max(stop_s - start_s, 0.0)
    if there_s < SILENT_PART_MIN * planned_s:
        return Part(track, "missing", remark=f"is there for only {there_s:.1f} s: {RUN_ON}")
    nothing_s = sum(
        min(stop_s, until_s) - max(start_s, from_s)
        for from_s, until_s in heard.lost_s(0.0)
        if from_s < stop_s and until_s > start_s
    )
    if nothing_s > NOTHING_PART_MAX * planned_s:
        remark = f"can't be measured, {nothing_s:.1f} s of it are digital silence: {UNGATED}"
        return Part(track, "missing", remark=remark)
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
    return Part(track, "found", start_s, stop_s, remark=remark)


def _left_over(
    heard: Heard, played: Played, side: Side, alignment: Alignment, planned: Sequence[Part]
) -> list[Part]:
    """Stretches that no track claims, but for the needle's noise at both ends."""
    claimed = {i for match in alignment.matches for i in range(match.first, match.last + 1)}
    matched = {match.position for match in alignment.matches}
    found = [part for part in planned if part.start_s is not None and part.stop_s is not None]
    first_s = min((part.start_s or 0.0 for part in found), default=0.0)
    last_s = max((part.stop_s or 0.0 for part in found), default=heard.envelope.duration_s)
    parts = []
    for i, stretch in enumerate(heard.stretches):
        if any(_is_within(stretch, part) for part in found if part.heard):
            continue
        outside = stretch.start_s < first_s or stretch.stop_s > last_s
        if i in claimed or (outside and stretch.duration_s < NEEDLE_NOISE_S):
            continue
        span = (stretch.start_s, stretch.stop_s)
        like = resembled(span, played, side, alignment.assumption)
        if like and heard.dead:
            continue  # crosstalk of a track of the dead channel
        remark = ""
        if like and side.position(like.track) in matched:
            remark = f"track {like.track} again: the first is measured, nothing needs doing"
        elif repeats(played.sounding.between(*span), 60.0 / side.rpm):
            remark = f"the same groove again and again (a locked groove?): {CLEAN}"
        elif heard.envelope.duration_s - stretch.stop_s < AT_END_S:
            remark = f"a track cut off by the end of the capture: {RUN_ON}"
        parts.append(Part(None, "unexpected", *span, remark=remark))
    return parts


def _is_within(stretch: Stretch, part: Part) -> bool:
    """Whether a stretch lies within a found track, as its beginning or end may."""
    start_s, stop_s = part.start_s or 0.0, part.stop_s or 0.0
    return start_s - BESIDE_S < stretch.start_s and stretch.stop_s < stop_s + BESIDE_S


def _with_levels(part: Part, heard: Heard, facts: FileFacts) -> Part:
    if part.start_s is None or part.stop_s is None:
        return part
    envelope, frames = heard.envelope, heard.frames(part.start_s, part.stop_s)
    return replace(
        part,
        level_left_dbfs=_level_dbfs(envelope.total_left[frames], facts.dc[0]),
        level_right_dbfs=_level_dbfs(envelope.total_right[frames], facts.dc[1]),
        samples_clipped=int(envelope.clipped[frames].sum()),
    )


def _track_rows(capture: str, parts: Sequence[Part]) -> pa.Table:
    planned = [part.track for part in parts]
    return tables.build(
        TRACKS,
        {
            "capture": [capture] * len(parts),
            "track": [track.track if track else None for track in planned],
            "kind": [track.kind if track else None for track in planned],
            "purpose": [track.purpose if track else None for track in planned],
            "modulation": [track.modulation if track else None for track in planned],
            "match": [part.match for part in parts],
            "start_s": [part.start_s for part in parts],
            "stop_s": [part.stop_s for part in parts],
            "planned_s": [track.duration_s if track else None for track in planned],
            "level_left_dbfs": [part.level_left_dbfs for part in parts],
            "level_right_dbfs": [part.level_right_dbfs for part in parts],
            "clipped": [part.samples_clipped > 0 for part in parts],
            "remark": [part.remark for part in parts],
        },
    )


def _level_dbfs(power: np.ndarray, dc: float) -> float | None:
    mean = float(power.mean(dtype=float)) - 2.0 * dc * dc if len(power) else 0.0
    return 10.0 * float(np.log10(mean)) if mean > 0.0 else None


def _health_row(capture: str, facts: FileFacts, verdict: Verdict) -> pa.Table:
    return tables.build(
        HEALTH,
        {
            "capture": capture,
            "sha256": facts.sha256,
            "sample_rate_hz": facts.sample_rate_hz,
            "duration_s": facts.duration_s,
            "clipped_left": facts.clipped[0],
            "clipped_right": facts.clipped[1],
            "dc_left": facts.dc[0],
            "dc_right": facts.dc[1],
            "status": verdict.status,
            "reason": verdict.reason,
            "channel_order": verdict.channel_order,
        },
    )


def _rejected(capture: str, sha256: str | None, reason: str) -> pa.Table:
    row: dict[str, Any] = dict.fromkeys(HEALTH.names)
    row |= {"capture": capture, "sha256": sha256, "status": REJECTED, "reason": reason}
    return tables.build(HEALTH, row | {"channel_order": "unknown"})
