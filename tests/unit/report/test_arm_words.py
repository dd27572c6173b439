"""What is said of an arm: a change only where the whole range asks for it."""

import pytest

from grooveledger.physics.arm_match import Compliance, arm_match
from grooveledger.plan import Cartridge, Chain
from grooveledger.report.arm_words import sentences, suitable_arms

SHEET = "data sheet, dynamic"


def row(arm_g: float, compliance: float, relative: float = 0.05, **changed: object) -> dict:
    """A row of the table: a cartridge of 6 g in an arm whose mass is known within 10 %."""
    cartridge = Cartridge("one", "moving_magnet", mass_g=6.0)
    chain = Chain("bench", arm_g, 0.3, 1.0, 110.0, 47e3, 45.0, 40.0, "iec98", 2.0)
    match = arm_match(Compliance(compliance, relative, "measured"), cartridge, chain)
    assert match is not None
    return {
        "chain": "bench", "axis": "lateral", "basis": "measured",
        "resonance_hz": match.resonance_hz, "resonance_low_hz": match.low_hz,
        "resonance_high_hz": match.high_hz, "verdict": match.verdict,
        "certain": match.is_certain, "arm_from_g": match.arm_from_g, "arm_to_g": match.arm_to_g,
        "change_g": match.change_g, **changed,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("arm_g", "compliance", "said"),
    [
        # Closed form: 12 Hz on 7 um/mN takes 159.155^2 / 12^2 / 7 = 25.1 g, 8 Hz on 20 19.8 g.
        (
            5.0,
            7.0,
            "above 12 Hz; 14.1\N{NO-BREAK SPACE}g more at the headshell, or an arm of 19.1 to",
        ),
        (
            25.0,
            20.0,
            "below 8 Hz; 11.2\N{NO-BREAK SPACE}g less at the headshell, or an arm of 2.8 to",
        ),
        (25.0, 70.0, "no arm is light enough"),
        (12.0, 14.0, "within 8 to 12 Hz, nothing to add or remove."),
    ],
)
def test_what_is_certain_is_advised(arm_g: float, compliance: float, said: str) -> None:
    (sentence,) = sentences([row(arm_g, compliance)])
    assert said in sentence
    assert sentence.startswith("On chain bench the resonance lies at ")
    assert "by the compliance measured (lateral)" in sentence


@pytest.mark.parametrize("compliance", [10.5, 9.0, 20.5, 23.5])
def test_nothing_is_advised_where_the_range_reaches_across_an_end(compliance: float) -> None:
    (sentence,) = sentences([row(12.0, compliance, 0.25, basis=SHEET)])
    assert "probably" in sentence
    assert "measure it on a resonance track before you change anything" in sentence
    assert "headshell" not in sentence


def test_a_measured_compliance_speaks_before_the_sheets_and_like_chains_together() -> None:
    rows = [
        row(12.0, 14.0, basis=SHEET, axis="both"),
        row(12.0, 14.0),
        row(12.0, 14.0, chain="far"),
        row(12.0, 14.0, chain="old"),
    ]
    (sentence,) = sentences(rows)
    assert sentence.startswith("On chains bench, far and old the resonance lies at 10.0")
    assert len(sentences(rows[:1])) == 1
    assert "by the compliance of the data sheet (data sheet, dynamic)" in sentences(rows[:1])[0]


def test_an_arm_lighter_than_nothing_is_none() -> None:
    assert suitable_arms(row(12.0, 14.0)) == "6.6 to 22.3"
    assert suitable_arms(row(12.0, 30.0)).startswith("0.0 to 7.2")
    assert suitable_arms(row(12.0, 70.0)) == "none is light enough"
