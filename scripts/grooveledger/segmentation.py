"""Stage 1: where the planned tracks lie in a capture, and whether it can be measured."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from grooveledger import tables
from grooveledger.alignment import Alignment, Match, align
from grooveledger.envelope import FileFacts, digest, read_envelope
from grooveledger.faults import CaptureFault
from grooveledger.health import REJECTED, Part, Verdict, judge
from grooveledger.plan import Side
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.stretches import Heard, hear

#: A stretch this short before the first or after the last track is the needle's own noise.
NEEDLE_NOISE_S = 1.5
#: Where what is heard of a sweep ends this near to its line's end, the end itself is heard.
HEARD_END_S = 0.4
#: Part of its planned duration that a silent groove must have.
SILENT_PART_MIN = 0.5


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
        known = sha256 or (digest(path) if Path(path).is_file() else None)
        return tables.empty(TRACKS), _rejected(capture, known, str(fault))
    heard = hear(envelope)
    alignment = _aligned(heard, side, swap_channels, invert)
    parts = _parts(heard, side, alignment)
    others = {
        name: _aligned(heard, other, swap_channels, invert)
        for name, other in (other_sides or {}).items()
    }
    verdict = judge(heard, facts, side, alignment, parts, others, settings)
    if verdict.status == REJECTED:
        parts = []
    return _track_rows(capture, parts, heard, facts), _health_row(capture, facts, verdict)


def most_likely_side(
    path: str | Path, sides: Mapping[str, Side], settings: Mapping[str, Any]
) -> str | None:
    """Name the side that a capture holds, of those given; None where none is likely.

    Raises
    ------
    CaptureFault
        The file can't be read.
    """
    heard = hear(read_envelope(path, sha256="")[0])
    readings = {name: _aligned(heard, side, False, ()) for name, side in sides.items()}
    name = min(readings, key=lambda name: readings[name].cost, default=None)
    return name if name is not None and readings[name].matches else None


def _aligned(heard: Heard, side: Side, swap_channels: bool, invert: Sequence[str]) -> Alignment:
    return align(
        [(stretch.start_s, stretch.stop_s) for stretch in heard.stretches],
        heard.sounding,
        side,
        heard.envelope.duration_s,
        swapped=swap_channels,
        inverted=len(invert) == 1,
        dead=heard.dead,
    )


def _parts(heard: Heard, side: Side, alignment: Alignment) -> list[Part]:
    """Place every planned track, and what is left over, in the capture."""
    matches = {match.position: match for match in alignment.matches}
    parts = []
    for position, track in enumerate(side.tracks):
        if position in matches:
            start_s, stop_s = _extent(heard, matches[position], track.kind == "sweep")
            parts.append(Part(track, "found", start_s, stop_s, matches[position]))
        elif track.modulation:
            parts.append(Part(track, "missing"))
        else:
            parts.append(_silent_part(heard, side, position, matches, alignment.assumption.speed))
    return parts + _left_over(heard, alignment)


def _extent(heard: Heard, match: Match, sweep: bool) -> tuple[float, float]:
    """Where a track lies: its heard ends, or those of a sweep's line where they are not heard."""
    start_s = heard.stretches[match.first].start_s
    stop_s = heard.stretches[match.last].stop_s
    if not sweep:
        return start_s, stop_s
    last_s = heard.envelope.duration_s
    if abs(match.start_s - start_s) > HEARD_END_S:
        start_s = match.start_s
    if abs(match.stop_s - stop_s) > HEARD_END_S:
        stop_s = match.stop_s
    return max(start_s, 0.0), min(stop_s, last_s)


def _silent_part(
    heard: Heard, side: Side, position: int, matches: Mapping[int, Match], speed: float
) -> Part:
    """A silent groove: from the end of the track before it to the start of the next."""
    track = side.tracks[position]
    planned_s = track.duration_s / speed
    first_s, last_s = heard.groove_s
    if position - 1 in matches:
        start_s = _extent(heard, matches[position - 1], _is_sweep(side, position - 1))[1]
    elif position == 0 and 1 in matches:
        next_s = _extent(heard, matches[1], _is_sweep(side, 1))[0]
        start_s = max(first_s, next_s - planned_s - side.gap_s / speed)
    else:
        return Part(track, "missing", remark="the track before it was not found")
    if position + 1 in matches:
        stop_s = _extent(heard, matches[position + 1], _is_sweep(side, position + 1))[0]
    elif position + 1 == len(side.tracks):
        stop_s = min(last_s, start_s + side.gap_s / speed + planned_s)
    else:
        return Part(track, "missing", remark="the track after it was not found")
    if stop_s - start_s < SILENT_PART_MIN * planned_s:
        return Part(
            track, "missing", remark=f"only {max(stop_s - start_s, 0.0):.1f} s of it is there"
        )
    return Part(track, "found", start_s, stop_s)


def _is_sweep(side: Side, position: int) -> bool:
    return side.tracks[position].kind == "sweep"


def _left_over(heard: Heard, alignment: Alignment) -> list[Part]:
    """Stretches that no track claims, but for the needle's noise at both ends."""
    claimed = {i for match in alignment.matches for i in range(match.first, match.last + 1)}
    first = min(claimed, default=0)
    last = max(claimed, default=len(heard.stretches))
    return [
        Part(None, "unexpected", stretch.start_s, stretch.stop_s)
        for i, stretch in enumerate(heard.stretches)
        if i not in claimed
        and not ((i < first or i > last) and stretch.duration_s < NEEDLE_NOISE_S)
    ]


def _track_rows(capture: str, parts: Sequence[Part], heard: Heard, facts: FileFacts) -> pa.Table:
    rows = []
    for part in parts:
        track = part.track
        row: dict[str, Any] = {
            "capture": capture,
            "track": track.track if track else None,
            "kind": track.kind if track else None,
            "purpose": track.purpose if track else None,
            "modulation": track.modulation if track else None,
            "match": part.match,
            "start_s": part.start_s,
            "stop_s": part.stop_s,
            "planned_s": track.duration_s if track else None,
            "level_left_dbfs": None,
            "level_right_dbfs": None,
            "clipped": False,
            "remark": part.remark,
        }
        if part.start_s is not None and part.stop_s is not None:
            frames = heard.frames(part.start_s, part.stop_s)
            row["level_left_dbfs"] = _level_dbfs(heard.envelope.total_left[frames], facts.dc[0])
            row["level_right_dbfs"] = _level_dbfs(heard.envelope.total_right[frames], facts.dc[1])
            row["clipped"] = bool(heard.envelope.clipped[frames].any())
        rows.append(row)
    return tables.build(TRACKS, {name: [row[name] for row in rows] for name in TRACKS.names})


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
