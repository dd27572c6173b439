"""A cartridge type and its maker's data sheet."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Self


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
