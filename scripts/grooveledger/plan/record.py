"""A record side: its planned tracks in playing order."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from math import pi, sqrt
from typing import Any, Literal, Self

Kind = Literal[
    "tone",
    "sweep",
    "tone_steps",
    "amplitude_steps",
    "two_tone",
    "noise",
    "silent_groove",
    "other",
]
Modulation = Literal["left", "right", "lateral", "vertical"]
Purpose = Literal[
    "level",
    "response",
    "separation",
    "distortion",
    "spectrum",
    "intermodulation",
    "speed",
    "noise",
    "resonance",
    "tracking_ability",
    "third_octaves",
]
Law = Literal["log", "linear"]
Recorded = Literal["constant_velocity", "constant_amplitude", "iec98"]
Colour = Literal["pink", "white"]


@dataclass(frozen=True)
class Track:
    """One planned track of a record side.

    A sleeve states durations and frequencies to within some per cent. They identify a track; where
    it begins and ends, and which frequency it has when, is read from the capture.

    Attributes
    ----------
    track : int
        Its number on the side.
    kind : Kind
        What is cut; `other` is anything that is located and passed over, such as speech.
    duration_s : float or None
        Planned duration; None where the description has none.
    modulation : Modulation or None
        None for a silent groove and for `other`.
    purpose : Purpose or None
        Restricts what the track is used for; None allows every use of its kind and modulation.
    velocity_cm_s : float or None
        Velocity along the modulation's axis, in `velocity_measure`.
    pilot_hz, pilot_s : float or None
        A sweep's pilot tone, cut before it in the same track, and how long it lasts.
    continues : int or None
        Number of the track that this one goes on from: both belong to one curve.
    amplitudes_um : tuple of float
        Peak amplitudes of `amplitude_steps` along the modulation's axis, also where the description
        gives velocities.
    colour : Colour or None
        Of a noise track.
    """

    track: int
    kind: Kind
    duration_s: float | None = None
    modulation: Modulation | None = None
    purpose: Purpose | None = None
    velocity_cm_s: float | None = None
    velocity_measure: Literal["peak", "rms"] = "peak"
    radius_mm: float | None = None
    recorded: Recorded = "constant_velocity"
    frequency_hz: float | None = None
    start_hz: float | None = None
    stop_hz: float | None = None
    law: Law = "log"
    pilot_hz: float | None = None
    pilot_s: float | None = None
    continues: int | None = None
    frequencies_hz: tuple[float, ...] = ()
    ratio: float | None = None
    step_s: float | None = None
    amplitudes_um: tuple[float, ...] = ()
    colour: Colour | None = None

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Self:
        """Make a track from its configuration mapping.

        A stepped track's duration follows from its steps where it has none of its own, and steps
        given as velocities become amplitudes.
        """
        known = {field.name for field in fields(cls)}
        values = {
            key: value for key, value in mapping.items() if key in known and value is not None
        }
        for key in ("frequencies_hz", "amplitudes_um"):
            if key in values:
                values[key] = tuple(float(value) for value in values[key])
        if velocities_cm_s := mapping.get("velocities_cm_s"):
            to_peak = sqrt(2.0) if mapping.get("velocity_measure") == "rms" else 1.0
            um_a_cm_s = to_peak * 1e4 / (2.0 * pi * float(mapping["frequency_hz"]))
            values["amplitudes_um"] = tuple(um_a_cm_s * float(v) for v in velocities_cm_s)
        steps = len(values.get("frequencies_hz", ()) or values.get("amplitudes_um", ()))
        if "duration_s" not in values and "step_s" in values:
            values["duration_s"] = float(values["step_s"]) * steps
        return cls(**values)

    @property
    def stated_duration_s(self) -> float:
        """Planned duration of a track that must have one; ValueError where it has none."""
        if self.duration_s is None:
            raise ValueError(f"track {self.track} has no duration_s")
        return self.duration_s

    @property
    def steps(self) -> int:
        """Number of steps of a stepped track, 1 for any other."""
        if self.kind not in ("tone_steps", "amplitude_steps"):
            return 1
        return len(self.frequencies_hz) or len(self.amplitudes_um)

    @property
    def lowest_hz(self) -> float:
        """Lowest fundamental of the track, Hz (0 where it has none)."""
        return min(self._fundamentals_hz, default=0.0)

    @property
    def highest_hz(self) -> float:
        """Highest fundamental of the track, Hz (0 where it has none)."""
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

    def serves(self, *purposes: Purpose) -> bool:
        """Whether the track's purpose, if it has one, is among `purposes`."""
        return self.purpose is None or self.purpose in purposes


@dataclass(frozen=True)
class Side:
    """A record side: its tracks in playing order, and the record's facts that a measure needs.

    `calibration` holds (track, frequency_hz, recorded_db) rows of the copy played. `gap_s`, the
    unmodulated gap between tracks, and `vertical_angle_deg`, at which vertical modulation was cut,
    are None where the description has none.
    """

    record: str
    side: str
    rpm: float
    gap_s: float | None
    tracks: tuple[Track, ...]
    response_tolerance_db: float = 0.0
    calibration: tuple[tuple[int, float, float], ...] = ()
    vertical_angle_deg: float | None = None

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Self:
        """Make a side from its plain mapping (record, side, rpm, gap_s, tracks, ...)."""
        gap_s, angle_deg = mapping.get("gap_s"), mapping.get("vertical_angle_deg")
        return cls(
            record=mapping["record"],
            side=mapping["side"],
            rpm=float(mapping["rpm"]),
            gap_s=None if gap_s is None else float(gap_s),
            tracks=tuple(Track.from_mapping(track) for track in mapping["tracks"]),
            response_tolerance_db=float(mapping.get("response_tolerance_db") or 0.0),
            calibration=tuple(
                (int(track), float(frequency_hz), float(recorded_db))
                for track, frequency_hz, recorded_db in mapping.get("calibration") or ()
            ),
            vertical_angle_deg=None if angle_deg is None else float(angle_deg),
        )

    def track(self, number: int) -> Track:
        """Return the track with that number."""
        return next(track for track in self.tracks if track.track == number)

    def position(self, number: int) -> int:
        """Place of a track in playing order, from 0."""
        return next(i for i, track in enumerate(self.tracks) if track.track == number)
