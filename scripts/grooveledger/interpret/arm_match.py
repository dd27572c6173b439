"""Every cartridge on every chain's arm: the resonance to expect, and what would move it."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from grooveledger.physics.arm_match import Compliance, arm_match, described_compliance
from grooveledger.plan import Cartridge, Chain
from grooveledger.schemas.interpret import ARM_MATCH

#: A single capture's compliance is good to this, relative: temperature, and the drive's level
#: (common practice).
ONE_CAPTURE = 0.05


def arm_match_table(
    cartridges: Mapping[str, Cartridge],
    chains: Mapping[str, Chain],
    captures: pd.DataFrame,
    resonance_fit: pd.DataFrame,
) -> pd.DataFrame:
    """Predict the resonance of every cartridge on every chain.

    By the compliance of its data sheet, before anything is measured, and by what captures measured
    along either axis.

    Parameters
    ----------
    cartridges, chains : mapping
        The configuration, by id.
    captures, resonance_fit : DataFrame
        The archive-wide tables.

    Returns
    -------
    DataFrame
        `schemas.interpret.ARM_MATCH`.
    """
    fits = resonance_fit.merge(captures[["capture", "cartridge", "chain"]], on="capture")
    rows = [
        _row(cartridge, chain, axis, compliance)
        for cartridge in cartridges.values()
        for axis, compliance in _compliances(cartridge, chains, fits)
        for chain in chains.values()
    ]
    frame = pd.DataFrame([row for row in rows if row], columns=list(ARM_MATCH.names))
    return frame.sort_values(list(ARM_MATCH.key), ignore_index=True)


def _compliances(
    cartridge: Cartridge, chains: Mapping[str, Chain], fits: pd.DataFrame
) -> Iterator[tuple[str, Compliance]]:
    """Yield axis and compliance: of the data sheet for both axes, and as measured."""
    described = described_compliance(cartridge)
    if described is not None:
        yield "both", described
    own = fits[fits["cartridge"] == cartridge.cartridge]
    own = own[own["dynamic_compliance_um_per_mn"].notna()]
    for axis, rows in own.groupby("axis"):
        values = rows["dynamic_compliance_um_per_mn"].to_numpy()
        value = float(np.median(values))
        scatter = max(float(np.std(values)) / value, ONE_CAPTURE) / np.sqrt(len(values))
        # The arm in which it was measured enters with its own mass; no average removes that.
        mass = cartridge.mass_g or 0.0
        arms = [chains[name] for name in rows["chain"].unique() if name in chains]
        tolerance = max(
            (
                chain.arm_mass_tolerance_pct
                / 100.0
                / np.sqrt(3.0)
                * chain.arm_effective_mass_g
                / (chain.arm_effective_mass_g + mass)
                for chain in arms
            ),
            default=0.0,
        )
        yield str(axis), Compliance(value, float(np.hypot(scatter, tolerance)), "measured")


def _row(
    cartridge: Cartridge, chain: Chain, axis: str, compliance: Compliance
) -> dict[str, Any] | None:
    found = arm_match(compliance, cartridge, chain)
    if found is None:
        return None
    return {
        "cartridge": cartridge.cartridge,
        "chain": chain.chain,
        "axis": axis,
        "basis": compliance.basis,
        "compliance_um_per_mn": compliance.um_per_mn,
        "compliance_uncertainty_um_per_mn": compliance.um_per_mn * compliance.relative_uncertainty,
        "moving_mass_g": chain.arm_effective_mass_g + float(cartridge.mass_g or np.nan),
        "resonance_hz": found.resonance_hz,
        "resonance_low_hz": found.low_hz,
        "resonance_high_hz": found.high_hz,
        "verdict": found.verdict,
        "certain": found.is_certain,
        "arm_from_g": found.arm_from_g,
        "arm_to_g": found.arm_to_g,
        "change_g": found.change_g,
    }
