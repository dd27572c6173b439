"""The groove as cut, where it departs from its description: a sleeve is worth some per cent."""

from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

import numpy as np

from grooveledger.plan import Side, Track

#: A cut begins and ends within this time, s, where nothing else was drawn.
FADE_S = 0.004


@dataclass(frozen=True)
class CutTrack(Track):
    """A track as cut.

    Attributes
    ----------
    bend : float
        Part of its span by which a sweep is ahead of a straight law halfway (`modulation.Law`).
    fade_s : float
        Time within which each piece of modulation comes and goes, as a raised cosine.
    """

    bend: float = 0.0
    fade_s: float = FADE_S


class Departures(NamedTuple):
    """Largest departures of a groove from its description, as parts of one, each way.

    Attributes
    ----------
    duration : float
        Of a track's, or a step's, length.
    sweep_end : float
        Of either end of a sweep, in frequency.
    bend : float
        Of a sweep's law.
    tone : float
        Of a tone's or a step's frequency.
    track_speed : float
        Of a track's speed from the side's: frequencies and length alike.
    fade_s : float
        Longest fade of a sweep, in seconds: short ones are as likely as long ones, by their ratio.
    """

    duration: float = 0.10
    sweep_end: float = 0.06
    bend: float = 0.04
    tone: float = 0.0
    track_speed: float = 0.002
    fade_s: float = FADE_S


def as_cut(side: Side, departures: Departures, random: np.random.Generator) -> Side:
    """Draw a groove that a description fits within the departures."""
    return replace(side, tracks=tuple(_cut(track, departures, random) for track in side.tracks))


def _cut(track: Track, departures: Departures, random: np.random.Generator) -> Track:
    duration, start, stop, bend, tone, speed = random.uniform(-1.0, 1.0, 6) * np.array(
        [
            departures.duration,
            departures.sweep_end,
            departures.sweep_end,
            departures.bend,
            departures.tone,
            departures.track_speed,
        ]
    )
    faster = 1.0 + speed
    longer = (1.0 + duration) / faster
    changed: dict[str, Any] = {"duration_s": track.stated_duration_s * longer}
    if track.step_s is not None:
        changed["step_s"] = track.step_s * longer
    if track.frequency_hz is not None:
        changed["frequency_hz"] = track.frequency_hz * (1.0 + tone) * faster
    if track.frequencies_hz:
        changed["frequencies_hz"] = tuple(hz * (1.0 + tone) * faster for hz in track.frequencies_hz)
    if track.start_hz is not None and track.stop_hz is not None:
        changed["start_hz"] = track.start_hz * (1.0 + start) * faster
        changed["stop_hz"] = track.stop_hz * (1.0 + stop) * faster
        changed["bend"] = bend
        changed["fade_s"] = FADE_S * (departures.fade_s / FADE_S) ** random.uniform()
    described = {field.name: getattr(track, field.name) for field in fields(Track)}
    return CutTrack(**(described | changed))
