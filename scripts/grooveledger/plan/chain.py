"""Turntable, arm, cable, preamplifier and converter of a capture."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self


@dataclass(frozen=True)
class Chain:
    """Turntable, arm, cable, preamplifier and converter of a capture.

    Tolerances are half-widths within which any value is as likely. The arm's length from pivot to
    stylus, its overhang and its offset angle are None where they are not described.
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
    arm_mass_tolerance_pct: float = 0.0
    gain_tolerance_db: float = 0.0
    channel_match_db: float = 0.0
    full_scale_tolerance_db: float = 0.0
    arm_length_mm: float | None = None
    arm_overhang_mm: float | None = None
    arm_offset_deg: float | None = None

    @classmethod
    def from_mapping(cls, mapping: Mapping[str, Any]) -> Self:
        """Make a chain from its configuration mapping (with `chain`, its id, added)."""
        cable, preamplifier = mapping["cable"], mapping["preamplifier"]
        converter = mapping["converter"]
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
            full_scale_v_rms=float(converter["full_scale_v_rms"]),
            preamplifier_response=tuple(
                (float(frequency_hz), float(gain_db))
                for frequency_hz, gain_db in preamplifier.get("response") or ()
            ),
            response_tolerance_db=float(preamplifier.get("response_tolerance_db") or 0.0),
            swap_channels=bool(mapping.get("swap_channels", False)),
            invert=tuple(mapping.get("invert") or ()),
            arm_mass_tolerance_pct=float(mapping.get("arm_mass_tolerance_pct") or 0.0),
            gain_tolerance_db=float(preamplifier.get("gain_tolerance_db") or 0.0),
            channel_match_db=float(preamplifier.get("channel_match_db") or 0.0),
            full_scale_tolerance_db=float(converter.get("full_scale_tolerance_db") or 0.0),
            **{
                f"arm_{name}": float(value)
                for name, value in (mapping.get("arm_geometry") or {}).items()
            },
        )

    @property
    def load_ohm(self) -> float:
        """Resistance that the cartridge sees."""
        return self.input_resistance_ohm

    @property
    def load_pf(self) -> float:
        """Capacitance that the cartridge sees: cable and preamplifier input."""
        return self.cable_capacitance_pf + self.input_capacitance_pf
