"""A record side: its planned tracks in playing order."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Self


@dataclass(frozen=True)
class Track:
    """One planned track of a record side.

    Attributes
    ----------
    track : int
        Its number on the side.
    kind : str
        tone, sweep, tone_steps, amplitude_steps, two_tone or silent_groove.
    modulation : str or None
        left, right, lateral or vertical; None for a silent groove.
    purpose : str or None
        Narrows what the track is used for; None serves all that kind and modulation allow.
    duration_s : float
        Planned duration.
    velocity_cm_s : float or None
        Velocity of the modulation named, in `velocity_measure` (peak or rms).
    recorded : str
        constant_velocity, constant_amplitude or iec98.
    """

    track: int
    kind: str
    duration_s: float
    modulation: str | None = None
    purpose: str | None = None
    velocity_cm_s: float | None = None
    velocity_measure: str = "peak"
    radius_mm: float | None = None
    recorded: str = "constant_velocity"
    frequency_hz: float | None = None
    start_hz: float | None = None
    stop_hz: float | None = None
    law: str = "log"
    frequencies_hz: tuple[float, ...] = ()
    ratio: float | None = None
    step_s: float | None = None
    amplitudes_um: tuple[float, ...] = ()

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Self:
        """Make a track from its configuration mapping; step tracks get their duration."""
        known = {field.name for field in fields(cls)}
        values = {
            key: value for key, value in mapping.items() if key in known and value is not None
        }
        for key in ("frequencies_hz", "amplitudes_um"):
            if key in values:
                values[key] = tuple(float(value) for value in values[key])
        if "duration_s" not in values:
            steps = len(values.get("frequencies_hz", ()) or values.get("amplitudes_um", ()))
            values["duration_s"] = float(values["step_s"]) * steps
        return cls(**values)

    @property
    def lowest_hz(self) -> float:
        """Lowest fundamental of the track, Hz (0 for a silent groove)."""
        return min(self._fundamentals_hz, default=0.0)

    @property
    def highest_hz(self) -> float:
        """Highest fundamental of the track, Hz (0 for a silent groove)."""
        return max(self._fundamentals_hz, default=0.0)

    @property
    def driven_channels(self) -> tuple[str, ...]:
        """The channels that the modulation drives."""
        if self.modulation in ("left", "right"):
            return (self.modulation,)
        return ("left", "right") if self.modulation else ()

    @property
    def _fundamentals_hz(self) -> tuple[float, ...]:
        candidates = (self.frequency_hz, self.start_hz, self.stop_hz, *self.frequencies_hz)
        return tuple(value for value in candidates if value is not None)

    def serves(self, *purposes: str) -> bool:
        """Whether the track's purpose, if it has one, is among `purposes`."""
        return self.purpose is None or self.purpose in purposes


@dataclass(frozen=True)
class Side:
    """A record side: its tracks in playing order, and the record's facts that a measure needs.

    `calibration` holds (track, frequency_hz, recorded_db) rows of this side.
    """

    record: str
    side: str
    rpm: float
    gap_s: float
    tracks: tuple[Track, ...]
    response_tolerance_db: float = 0.0
    calibration: tuple[tuple[int, float, float], ...] = ()

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Self:
        """Make a side from its plain mapping (record, side, rpm, gap_s, tracks, ...)."""
        return cls(
            record=mapping["record"],
            side=mapping["side"],
            rpm=float(mapping["rpm"]),
            gap_s=float(mapping["gap_s"]),
            tracks=tuple(Track.from_mapping(track) for track in mapping["tracks"]),
            response_tolerance_db=float(mapping.get("response_tolerance_db") or 0.0),
            calibration=tuple(
                (int(track), float(frequency_hz), float(recorded_db))
                for track, frequency_hz, recorded_db in mapping.get("calibration") or ()
            ),
        )

    def track(self, number: int) -> Track:
        """Return the track with that number."""
        return next(track for track in self.tracks if track.track == number)

    def position(self, number: int) -> int:
        """Place of a track in playing order, from 0."""
        return next(i for i, track in enumerate(self.tracks) if track.track == number)
