"""Whether an arm's mass suits a cartridge's compliance: their resonance, and what moves it."""

from typing import NamedTuple

import numpy as np

from grooveledger.physics.resonance import compliance_um_per_mn, resonance_hz
from grooveledger.physics.uncertainty import rectangular
from grooveledger.plan import Cartridge, Chain

#: The resonance belongs above warps and below the audio band, Hz (common practice).
BAND_HZ = (8.0, 12.0)
#: Dynamic compliance at 10 Hz over the static figure of a data sheet (common practice).
DYNAMIC_PART_OF_STATIC = 0.5
#: Half-widths of a data sheet's dynamic compliance and of one taken as half the static, relative
#: (our choice; elastomers are no simple springs, and sheets differ in what they call static).
STATED_TOLERANCE, HALF_STATIC_TOLERANCE = 0.2, 0.35
#: Of 95 %.
COVERAGE = 2.0


class Compliance(NamedTuple):
    """A dynamic compliance, its relative standard uncertainty, and where it comes from."""

    um_per_mn: float
    relative_uncertainty: float
    basis: str


class ArmMatch(NamedTuple):
    """A cartridge in an arm.

    Attributes
    ----------
    resonance_hz, low_hz, high_hz : float
        Undamped resonance, and its range (95 %).
    verdict : str
        within, low or high, of `BAND_HZ`.
    is_certain : bool
        Whether the whole range says so.
    arm_from_g, arm_to_g : float
        Effective masses of an arm that put the resonance within the band; may be negative.
    change_g : float
        Mass to add at the headshell, or to take off where negative, to come into the band.
    """

    resonance_hz: float
    low_hz: float
    high_hz: float
    verdict: str
    is_certain: bool
    arm_from_g: float
    arm_to_g: float
    change_g: float


def described_compliance(cartridge: Cartridge) -> Compliance | None:
    """Return the compliance that a data sheet gives; None where it has none.

    Examples
    --------
    >>> sheet = {"cartridge": "mm-one", "principle": "moving_magnet"}
    >>> described_compliance(
    ...     Cartridge.from_mapping({**sheet, "compliance_um_per_mn": {"static": 24}})
    ... ).um_per_mn
    12.0
    """
    if cartridge.dynamic_compliance_um_per_mn is not None:
        stated = float(rectangular(STATED_TOLERANCE))
        return Compliance(cartridge.dynamic_compliance_um_per_mn, stated, "data sheet, dynamic")
    if cartridge.static_compliance_um_per_mn is not None:
        half = DYNAMIC_PART_OF_STATIC * cartridge.static_compliance_um_per_mn
        return Compliance(half, float(rectangular(HALF_STATIC_TOLERANCE)), "half the static")
    return None


def arm_match(compliance: Compliance, cartridge: Cartridge, chain: Chain) -> ArmMatch | None:
    """Return how a cartridge suits a chain's arm; None where its mass is unknown.

    Examples
    --------
    10 um/mN with 6 g in an arm of 12 g:

    >>> cartridge = Cartridge("one", "moving_magnet", mass_g=6.0)
    >>> chain = Chain("bench", 12.0, 0.3, 1.0, 110.0, 47e3, 45.0, 40.0, "iec98", 2.0)
    >>> found = arm_match(Compliance(10.0, 0.1, "measured"), cartridge, chain)
    >>> round(found.resonance_hz, 2), found.verdict
    (11.86, 'within')
    """
    if cartridge.mass_g is None:
        return None
    arm_g = chain.arm_effective_mass_g
    mass_g = arm_g + cartridge.mass_g
    hz = float(resonance_hz(mass_g, compliance.um_per_mn))
    arm = float(rectangular(chain.arm_mass_tolerance_pct / 100.0)) * arm_g / mass_g
    # The resonance goes with the root of mass and compliance.
    spread = 0.5 * COVERAGE * float(np.hypot(compliance.relative_uncertainty, arm))
    low_hz, high_hz = hz * (1.0 - spread), hz * (1.0 + spread)
    heavy_g, light_g = (float(compliance_um_per_mn(compliance.um_per_mn, f)) for f in BAND_HZ)
    arm_from_g, arm_to_g = light_g - cartridge.mass_g, heavy_g - cartridge.mass_g
    return ArmMatch(
        resonance_hz=hz,
        low_hz=low_hz,
        high_hz=high_hz,
        verdict=_verdict(hz),
        is_certain=_verdict(low_hz) == _verdict(high_hz),
        arm_from_g=arm_from_g,
        arm_to_g=arm_to_g,
        change_g=max(arm_from_g - arm_g, 0.0) + min(arm_to_g - arm_g, 0.0),
    )


def _verdict(hz: float) -> str:
    if hz < BAND_HZ[0]:
        return "low"
    return "high" if hz > BAND_HZ[1] else "within"
