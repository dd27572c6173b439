"""Arm and cartridge, against a published table of resonances and in closed form."""

import pytest

from grooveledger.physics.arm_match import (
    BAND_HZ,
    Compliance,
    arm_match,
    described_compliance,
)
from grooveledger.physics.resonance import resonance_hz
from grooveledger.plan import Cartridge, Chain

CARTRIDGE = Cartridge("mm-one", "moving_magnet", mass_g=6.0)


def chain_of(arm_g, tolerance_pct=0.0):
    return Chain(
        "bench", arm_g, 0.3, 1.0, 110.0, 47e3, 45.0, 40.0, "iec98", 2.0,
        arm_mass_tolerance_pct=tolerance_pct,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("mass_g", "compliance", "hz"),
    # f = 159.155 / sqrt(M C), as published tables of arm and cartridge have it.
    [
        (10, 10, 15.92),
        (12, 15, 11.86),
        (15, 20, 9.19),
        (18, 25, 7.50),
        (25, 35, 5.38),
        (20, 8, 12.58),
    ],
)
def test_resonances_of_the_usual_table(mass_g, compliance, hz):
    found = arm_match(Compliance(compliance, 0.0, "measured"), CARTRIDGE, chain_of(mass_g - 6.0))
    assert found.resonance_hz == pytest.approx(hz, abs=0.005)
    expected = "low" if hz < 8 else "high" if hz > 12 else "within"
    assert found.verdict == expected
    assert found.is_certain


@pytest.mark.parametrize("compliance", [5.0, 12.0, 30.0])
@pytest.mark.parametrize("arm_g", [4.0, 12.0, 30.0])
def test_the_change_brings_the_resonance_to_the_nearest_end_of_the_band(compliance, arm_g):
    found = arm_match(Compliance(compliance, 0.1, "measured"), CARTRIDGE, chain_of(arm_g))
    changed_hz = float(resonance_hz(arm_g + 6.0 + found.change_g, compliance))
    if found.verdict == "within":
        assert found.change_g == 0.0
    else:
        assert changed_hz == pytest.approx(BAND_HZ[0 if found.verdict == "low" else 1])
    for arm, hz in ((found.arm_from_g, BAND_HZ[1]), (found.arm_to_g, BAND_HZ[0])):
        assert float(resonance_hz(arm + 6.0, compliance)) == pytest.approx(hz)


def test_the_range_is_that_of_compliance_and_arm_together():
    # The root of a product: half the relative uncertainties, in quadrature, twice for 95 %.
    found = arm_match(Compliance(12.0, 0.1, "measured"), CARTRIDGE, chain_of(12.0, 10.0))
    arm = 0.1 / 3**0.5 * 12.0 / 18.0
    expected = 0.5 * 2.0 * (0.1**2 + arm**2) ** 0.5
    assert found.high_hz / found.resonance_hz - 1.0 == pytest.approx(expected)
    assert found.low_hz / found.resonance_hz - 1.0 == pytest.approx(-expected)


def test_a_range_that_leaves_the_band_is_not_certain():
    found = arm_match(Compliance(12.0, 0.2, "half the static"), CARTRIDGE, chain_of(9.0))
    assert found.verdict == "within"
    assert not found.is_certain


def test_a_dynamic_figure_goes_before_half_the_static():
    both = Cartridge(
        "mm", "moving_magnet", static_compliance_um_per_mn=30.0, dynamic_compliance_um_per_mn=14.0
    )
    assert described_compliance(both).um_per_mn == 14.0
    assert described_compliance(CARTRIDGE) is None
    assert arm_match(Compliance(12.0, 0.1, "measured"), Cartridge("x", "mm"), chain_of(9.0)) is None
