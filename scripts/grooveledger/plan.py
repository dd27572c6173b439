"""What a record side holds, and on what it was played.

The classes are frozen views of checked configuration, each made from a plain mapping of builtins,
the form in which the workflow hands it to a job.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any, Self

#: Lowest carrier from which a speed trace is taken: its sidebands out to 200 Hz stay clear of zero.
SPEED_CARRIER_MIN_HZ = 500.0
#: AES6-2008: wow and flutter is observed for at least 5 s.
SPEED_OBSERVATION_MIN_S = 5.0
#: A sweep that stays below this looks at the arm's resonance, not at the cartridge's response.
RESONANCE_SWEEP_MAX_HZ = 40.0


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


@dataclass(frozen=True)
class Chain:
    """Turntable, arm, cable, preamplifier and converter of a capture.

    `preamplifier_response` holds (frequency_hz, gain_db_re_1khz) rows: the deviation from the ideal
    replay curve.
    """

    chain: str
    arm_effective_mass_g: float
    cable_resistance_ohm: float
    cable_inductance_uh: float
    cable_capacitance_pf: float
    input_resistance_ohm: float
    input_capacitance_pf: float
    gain_db: float
    equalisation: str
    full_scale_v_rms: float
    preamplifier_response: tuple[tuple[float, float], ...] = ()
    response_tolerance_db: float = 0.0
    swap_channels: bool = False
    invert: tuple[str, ...] = ()

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Self:
        """Make a chain from its configuration mapping (with `chain`, its id, added)."""
        cable, preamplifier = mapping["cable"], mapping["preamplifier"]
        return cls(
            chain=mapping["chain"],
            arm_effective_mass_g=float(mapping["arm_effective_mass_g"]),
            cable_resistance_ohm=float(cable["resistance_ohm"]),
            cable_inductance_uh=float(cable["inductance_uh"]),
            cable_capacitance_pf=float(cable["capacitance_pf"]),
            input_resistance_ohm=float(preamplifier["input_resistance_ohm"]),
            input_capacitance_pf=float(preamplifier["input_capacitance_pf"]),
            gain_db=float(preamplifier["gain_db"]),
            equalisation=preamplifier["equalisation"],
            full_scale_v_rms=float(mapping["converter"]["full_scale_v_rms"]),
            preamplifier_response=tuple(
                (float(frequency_hz), float(gain_db))
                for frequency_hz, gain_db in preamplifier.get("response") or ()
            ),
            response_tolerance_db=float(preamplifier.get("response_tolerance_db") or 0.0),
            swap_channels=bool(mapping.get("swap_channels", False)),
            invert=tuple(mapping.get("invert") or ()),
        )

    @property
    def load_ohm(self) -> float:
        """Resistance that the cartridge sees."""
        return self.input_resistance_ohm

    @property
    def load_pf(self) -> float:
        """Capacitance that the cartridge sees: cable and preamplifier input."""
        return self.cable_capacitance_pf + self.input_capacitance_pf


@dataclass(frozen=True)
class Cartridge:
    """A cartridge type: what is known of it, and its maker's data sheet in `rated`."""

    cartridge: str
    principle: str
    tip_shape: str | None = None
    tip_radii_um: tuple[float, ...] = ()
    mass_g: float | None = None
    tracking_force_mn: float | None = None
    static_compliance_um_per_mn: float | None = None
    dynamic_compliance_um_per_mn: float | None = None
    coil_inductance_mh: float | None = None
    coil_resistance_ohm: float | None = None
    rated: Mapping[str, Any] | None = None

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Self:
        """Make a cartridge from its configuration mapping (with `cartridge`, its id, added)."""
        tip = mapping.get("tip") or {}
        coil = mapping.get("coil") or {}
        compliance = mapping.get("compliance_um_per_mn") or {}
        return cls(
            cartridge=mapping["cartridge"],
            principle=mapping["principle"],
            tip_shape=tip.get("shape"),
            tip_radii_um=tuple(float(radius) for radius in tip.get("radii_um") or ()),
            mass_g=mapping.get("mass_g"),
            tracking_force_mn=mapping.get("tracking_force_mn"),
            static_compliance_um_per_mn=compliance.get("static"),
            dynamic_compliance_um_per_mn=compliance.get("dynamic_10hz"),
            coil_inductance_mh=coil.get("inductance_mh"),
            coil_resistance_ohm=coil.get("resistance_ohm"),
            rated=dict(mapping.get("rated") or {}),
        )


def tracks_for(measure: str, side: Side) -> tuple[Track, ...]:
    """Tracks of a side that a measure draws on; empty where the side cannot give it.

    Parameters
    ----------
    measure : str
        A measure's table name, see `MEASURE_USES`.
    side : Side
        The side, in playing order.
    """
    return tuple(track for track in side.tracks if draws_on(measure, track))


def draws_on(measure: str, track: Track) -> bool:
    """Whether a measure draws on a track; one without an entry in `MEASURE_USES` on any modulated.

    An entry also tells `check` what a side can't give.
    """
    uses = MEASURE_USES.get(measure)
    return uses(track) if uses else track.modulation is not None


def _is_resonance_sweep(track: Track) -> bool:
    if track.kind != "sweep" or track.modulation not in ("lateral", "vertical"):
        return False
    return track.purpose == "resonance" or (
        track.purpose is None and track.highest_hz <= RESONANCE_SWEEP_MAX_HZ
    )


def _is_audio_band(track: Track, *purposes: str) -> bool:
    return track.serves(*purposes) and not _is_resonance_sweep(track)


#: Which tracks each measure draws on, by the name of its table.
MEASURE_USES: dict[str, Callable[[Track], bool]] = {
    "level": lambda t: t.kind == "tone" and t.serves("level"),
    "response": lambda t: t.kind in ("sweep", "tone_steps") and _is_audio_band(t, "response"),
    "separation": lambda t: (
        t.kind in ("tone", "sweep", "tone_steps")
        and t.modulation in ("left", "right")
        and _is_audio_band(t, "separation", "response", "level")
    ),
    "distortion": lambda t: (
        t.kind in ("tone", "tone_steps", "sweep") and _is_audio_band(t, "distortion")
    ),
    "spectrum": lambda t: t.kind == "tone" and t.serves("distortion", "spectrum"),
    "intermodulation": lambda t: t.kind == "two_tone" and t.serves("intermodulation", "distortion"),
    "speed": lambda t: (
        t.kind == "tone"
        and t.serves("speed")
        and t.lowest_hz >= SPEED_CARRIER_MIN_HZ
        and t.duration_s >= SPEED_OBSERVATION_MIN_S
    ),
    "noise": lambda t: t.kind == "silent_groove" and t.serves("noise"),
    "resonance": _is_resonance_sweep,
    "resonance_fit": _is_resonance_sweep,
    "tracking_ability": lambda t: t.kind == "amplitude_steps" and t.serves("tracking_ability"),
}
