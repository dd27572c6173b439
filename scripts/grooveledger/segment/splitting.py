"""Where one stretch may be two tracks: abrupt changes of frequency or channel without a silence."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from grooveledger.plan import Side
from grooveledger.segment.alignment import Alignment
from grooveledger.segment.envelope import Envelope
from grooveledger.segment.plausibility import ON_LINE_OCTAVES, Played
from grooveledger.segment.sliding import runs
from grooveledger.segment.sounding import SOUNDING_S, Sounding
from grooveledger.segment.stretches import STRETCH_MIN_S, Heard, Stretch

#: Readings compared before and after a change.
BESIDE = 3
#: A change is abrupt if frequency, balance or coherence differ by this much across it ...
CHANGE_OCTAVES, CHANGE_DB, CHANGE_COHERENCE = 0.15, 10.0, 1.0
#: ... and on neither side by more than this part of it.
STEADY_PART = 0.3
#: Readings of another frequency that make what precedes or follows a track a sound of its own.
STRANGE_READINGS = 2


def split(heard: Heard) -> Heard:
    """Split a capture's stretches where their sound changes abruptly.

    Every step of a stepped track is such a change: this is for captures whose stretches fit the
    description badly as they are.
    """
    cuts = {
        i: _changes(stretch, heard.sounding, heard.envelope)
        for i, stretch in enumerate(heard.stretches)
    }
    return replace(heard, stretches=_cut(heard, cuts))


def without_strangers(heard: Heard, played: Played, side: Side, alignment: Alignment) -> Heard:
    """Split off what precedes or follows a track on its own stretches without a silence between.

    A thump, a pop or speech that runs into a track has another frequency than the track should
    have there.
    """
    cuts: dict[int, list[int]] = {}
    for match in alignment.matches:
        track = side.tracks[match.position]
        if track.kind == "noise" or match.jumped:
            continue
        first, last = heard.stretches[match.first], heard.stretches[match.last]
        part = played.sounding.between(first.start_s, last.stop_s)
        strange = match.off_octaves > ON_LINE_OCTAVES
        proper = np.flatnonzero(match.off_octaves <= ON_LINE_OCTAVES)
        if not len(proper):
            continue
        for i, ends, at, line_s in (
            (match.first, slice(None, proper[0]), proper[0], match.start_s),
            (match.last, slice(proper[-1] + 1, None), proper[-1] + 1, match.stop_s),
        ):
            outside = strange[ends]
            if track.kind == "sweep":
                beyond_s = part.time_s[ends] - line_s
                outside = outside & (beyond_s * (-1.0 if i == match.first else 1.0) > 0.0)
            if outside.sum() >= STRANGE_READINGS and at < len(part.time_s):
                cuts.setdefault(i, []).append(_frame_of_change(part.time_s[at], heard.envelope))
    return replace(heard, stretches=_cut(heard, cuts)) if cuts else heard


def _cut(heard: Heard, cuts: Mapping[int, Sequence[int]]) -> tuple[Stretch, ...]:
    """Cut stretches at envelope frames."""
    hop_s = heard.envelope.hop_s
    parts = []
    for i, stretch in enumerate(heard.stretches):
        inside = sorted(
            {frame for frame in cuts.get(i, ()) if stretch.start < frame < stretch.stop}
        )
        for start, stop in pairwise([stretch.start, *inside, stretch.stop]):
            start_s = stretch.start_s if start == stretch.start else start * hop_s
            stop_s = stretch.stop_s if stop == stretch.stop else stop * hop_s
            if stop_s > start_s:
                parts.append(Stretch(start, stop, start_s, stop_s))
    return tuple(parts)


def _changes(stretch: Stretch, sounding: Sounding, envelope: Envelope) -> list[int]:
    """Return the envelope frames within a stretch at which it changes."""
    part = sounding.between(stretch.start_s, stretch.stop_s)
    if len(part.time_s) < 2 * BESIDE + 1:
        return []
    change = np.zeros(len(part.time_s))
    for column, least in (
        (np.log2(part.frequency_hz), CHANGE_OCTAVES),
        (part.balance_db, CHANGE_DB),
        (part.coherence, CHANGE_COHERENCE),
    ):
        windows = np.lib.stride_tricks.sliding_window_view(column, BESIDE)
        middle, spread = np.median(windows, axis=1), np.ptp(windows, axis=1)
        before, after = slice(None, -BESIDE - 1), slice(BESIDE + 1, None)
        jump = np.abs(middle[after] - middle[before])
        steady = np.maximum(spread[before], spread[after]) < STEADY_PART * jump
        at = slice(BESIDE, BESIDE + len(jump))
        change[at] = np.maximum(change[at], np.where(steady & (jump > least), jump / least, 0.0))
    frames = []
    for first, last in runs(change > 0.0):
        strongest = first + int(np.argmax(change[first:last]))
        frames.append(_frame_of_change(part.time_s[strongest], envelope))
    least = round(STRETCH_MIN_S / envelope.hop_s)
    kept = [frame for frame in frames if stretch.start + least < frame < stretch.stop - least]
    return sorted(set(kept))


def _frame_of_change(time_s: float, envelope: Envelope) -> int:
    """Return the first frame near a time that is more like those after it than before it."""
    middle, beside = round(time_s / envelope.hop_s), round(BESIDE * SOUNDING_S / envelope.hop_s)
    first = max(middle - beside, 0)
    powers = np.concatenate(
        [column[first : middle + beside] for column in (envelope.left, envelope.right)], axis=1
    )
    size = np.sqrt(powers)
    third = max(len(size) // 3, 1)
    before, after = np.median(size[:third], axis=0), np.median(size[-third:], axis=0)
    nearer = ((size - after) ** 2).sum(axis=1) < ((size - before) ** 2).sum(axis=1)
    return first + int(np.argmax(np.cumsum(np.where(nearer, -1, 1)))) + 1
