"""Stage 1: where the planned tracks lie in a capture, and whether it can be measured."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from grooveledger.faults import CaptureFault
from grooveledger.plan import Side
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.schemas.states import Status, TrackMatch
from grooveledger.segment.alignment import Alignment, align, resembled
from grooveledger.segment.costs import COSTS
from grooveledger.segment.envelope import FileFacts, read_envelope
from grooveledger.segment.health import (
    AT_END_S,
    CLEAN,
    RUN_ON,
    Judgement,
    Part,
    judge,
    name_of,
)
from grooveledger.segment.places import (
    BESIDE_S,
    extent,
    missing_part,
    other_extents,
    silent_part,
    sound_part,
    usual_gaps_s,
    with_pilot,
)
from grooveledger.segment.plausibility import Played, driven_in_file, relaid
from grooveledger.segment.sounding import repeats
from grooveledger.segment.splitting import split, without_strangers
from grooveledger.segment.stretches import SLOW_STRETCH_MIN_S, Heard, Stretch, hear
from grooveledger.segment.sweep_line import is_blurred
from grooveledger.storage import tables
from grooveledger.storage.digests import check_content, file_sha256
from grooveledger.storage.provenance import provenance

#: Stretches are split where they change abruptly if the description then fits better by this cost.
BETTER_BY = 1.0
#: Sides whose costs differ by less than this fit a capture equally well: it is one step of one
#: track's duration or frequency, and less than a missing or unexpected track.
AS_WELL_WITHIN = 1.0
#: Sound of this length within a sweep's extent that is not on its line follows a jump.
JUMPED_REST_S = 0.5
#: A stretch this short before the first or after the last track is the needle's own noise.
NEEDLE_NOISE_S = 1.5


def segment_capture(captures_dir: Path, output: Path, job: Mapping[str, Any]) -> None:
    """Segment a capture and write its tracks and its health.

    Parameters
    ----------
    captures_dir : Path
        Holds the recordings.
    output : Path
        Folder of the tables.
    job : mapping
        What the tables depend on.

    Raises
    ------
    OSError
        The capture can't be read because it is not what it was when the run began.
    """
    path = captures_dir / job["file"]
    tracks, health = segment(
        path,
        Side.from_mapping(job["side"]),
        job["settings"]["segment"],
        job["capture"],
        swap_channels=job["swap_channels"],
        invert=job["invert"],
        other_sides={name: Side.from_mapping(side) for name, side in job["other_sides"].items()},
        sha256=job["sha256"],
    )
    if health["status"].to_pylist() != [Status.OK]:
        check_content(path, job["sha256"])
    tables.write(TRACKS, tracks, output / "tracks.parquet", provenance(job))
    tables.write(HEALTH, health, output / "health.parquet", provenance(job))


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
    """Locate a side's tracks in a capture and judge its health.

    Parameters
    ----------
    path : str or Path
        The capture.
    side : Side
        The side played, according to the sheet.
    settings : mapping
        The configuration's block `segment`.
    capture : str
        Its id, for the tables.
    swap_channels, invert
        As in the chain: the file's channels exchanged, channels of inverted polarity.
    other_sides : mapping of str to Side, optional
        Other sides that may have been played by mistake, by their names for people.
    sha256 : str, optional
        The file's digest if known; otherwise the file is hashed.

    Returns
    -------
    tracks, health : pyarrow.Table
        As `schemas.segment` declares them; levels, and left and right, are the file's channels.
        A faulty file raises nothing: it has no tracks and is rejected with the reason.
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
    apart = without_strangers(heard, played, side, alignment)
    if apart is not heard:
        played_so = _played(apart, swap_channels, invert)
        alignment_so = align(played_so, side)
        if alignment_so.positions == alignment.positions:
            heard, played, alignment = apart, played_so, alignment_so
    if alignment.cost > COSTS.missing - BETTER_BY:
        split_up = split(hear(envelope, bridge_s=0.0))
        played_so = _played(split_up, swap_channels, invert)
        alignment_so = align(played_so, side)
        if alignment_so.cost < alignment.cost - BETTER_BY:
            heard, played, alignment = split_up, played_so, alignment_so
    parts = _parts(heard, facts, played, side, alignment)
    judgement = judge(heard, facts, side, alignment, parts, others, settings)
    if judgement.status == Status.REJECTED:
        parts = []
    return _track_rows(capture, parts), _health_row(capture, facts, judgement)


def most_likely_sides(path: str | Path, sides: Mapping[str, Side]) -> list[str]:
    """Name the sides that a capture most likely holds, of those given.

    Returns
    -------
    list of str
        In the order given: the side that fits best and those that fit as well; empty where none is
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
    """Whether most of a side's modulated tracks are there."""
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
    """Place every planned track, and every stretch left over, in the capture."""
    speeds = [match.speed for match in alignment.matches if np.isfinite(match.speed)]
    speed = float(np.median(speeds)) if speeds else alignment.assumption.speed
    matches = {
        match.position: relaid(match, side.tracks[match.position], played, speed)
        for match in alignment.matches
    }
    extents = {
        position: extent(played, side.tracks[position], match, speed)
        for position, match in matches.items()
    }
    for position, match in matches.items():
        # Sound of a sweep off its line, where another part of it belongs, follows a jump.
        if side.tracks[position].kind == "sweep" and not is_blurred(side.tracks[position]):
            rest = heard.unclaimed_s(alignment.claimed, *extents[position])
            matches[position] = replace(match, jumped=match.jumped or rest > JUMPED_REST_S)
    extents |= other_extents(heard, side, extents, alignment.claimed)
    taken = {
        position: with_pilot(
            played, side.tracks[position], matches.get(position), extents[position]
        )
        for position in extents
    }
    gaps_s = usual_gaps_s(side, taken, speed)
    parts = []
    for position, track in enumerate(side.tracks):
        if position in matches:
            parts.append(sound_part(track, matches[position], extents[position], heard))
        elif track.kind == "silent_groove":
            parts.append(silent_part(heard, side, position, taken, speed, gaps_s))
        elif position in extents:
            parts.append(Part(track, TrackMatch.FOUND, *extents[position]))
        else:
            driven = driven_in_file(track, played, alignment.assumption)
            parts.append(missing_part(track, driven, heard.dead))
    parts += _left_over(heard, played, side, alignment, parts)
    return [_with_levels(part, heard, facts) for part in parts]


def _left_over(
    heard: Heard, played: Played, side: Side, alignment: Alignment, planned: Sequence[Part]
) -> list[Part]:
    """Return the stretches that no track claims, except the needle's own noise at both ends."""
    matched = {match.position for match in alignment.matches}
    found = [part for part in planned if part.start_s is not None and part.stop_s is not None]
    first_s = min((part.start_s or 0.0 for part in found), default=0.0)
    last_s = max((part.stop_s or 0.0 for part in found), default=heard.envelope.duration_s)
    parts = []
    for i, stretch in enumerate(heard.stretches):
        if any(_is_within(stretch, part) for part in found if part.has_sound):
            continue
        outside = stretch.start_s < first_s or stretch.stop_s > last_s
        if i in alignment.claimed or (outside and stretch.duration_s < NEEDLE_NOISE_S):
            continue
        if stretch.duration_s < SLOW_STRETCH_MIN_S and any(
            _rings_on(stretch, part) for part in found
        ):
            continue
        span = (stretch.start_s, stretch.stop_s)
        like = resembled(span, played, side, alignment.assumption)
        if like and heard.dead:
            continue  # crosstalk of a track of the dead channel
        remark = ""
        if like and side.position(like.track) in matched:
            remark = f"track {like.track} again: the first one is measured, nothing to do"
        elif repeats(played.sounding.between(*span), 60.0 / side.rpm):
            remark = f"the same groove again and again (a locked groove?): {CLEAN}"
        elif heard.envelope.duration_s - stretch.stop_s < AT_END_S:
            remark = f"a track cut off by the end of the capture: {RUN_ON}"
        parts.append(Part(None, TrackMatch.UNEXPECTED, *span, remark=remark))
    return parts


def _rings_on(stretch: Stretch, part: Part) -> bool:
    """Whether a stretch is the arm ringing on after a sweep through its resonance."""
    is_slow = part.track is not None and is_blurred(part.track)
    return is_slow and abs(stretch.start_s - (part.stop_s or 0.0)) < BESIDE_S


def _is_within(stretch: Stretch, part: Part) -> bool:
    """Whether a stretch lies within a located track, as part of its beginning or end may."""
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


def _health_row(capture: str, facts: FileFacts, judgement: Judgement) -> pa.Table:
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
            "status": judgement.status,
            "reason": judgement.reason,
            "channel_order": judgement.channel_order,
        },
    )


def _rejected(capture: str, sha256: str | None, reason: str) -> pa.Table:
    row: dict[str, Any] = dict.fromkeys(HEALTH.names)
    row |= {"capture": capture, "sha256": sha256, "status": Status.REJECTED, "reason": reason}
    return tables.build(HEALTH, row | {"channel_order": "unknown"})
