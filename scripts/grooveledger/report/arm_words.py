"""What to add to an arm or to take off it, in sentences; every prediction as a table."""

from collections.abc import Mapping, Sequence
from typing import Any

from grooveledger.physics.arm_match import BAND_HZ
from grooveledger.report.grids import Field, amount
from grooveledger.vocabulary import words

Row = Mapping[str, Any]

MEASURED = "measured"
#: Lightest arm worth naming, g (our choice: none is made that light).
ARM_LEAST_G = 1.0
VERDICTS = {
    "within": f"within {BAND_HZ[0]:g} to {BAND_HZ[1]:g} Hz",
    "low": f"below {BAND_HZ[0]:g} Hz",
    "high": f"above {BAND_HZ[1]:g} Hz",
}
ARM_FIELDS = (
    Field("Chain", lambda row: row["chain"], numeric=False),
    Field("Axis", lambda row: row["axis"], numeric=False),
    Field("Compliance by", lambda row: row["basis"], numeric=False),
    Field(
        "Compliance (\N{MICRO SIGN}m/mN)",
        lambda row: words.with_uncertainty(
            row["compliance_um_per_mn"], row["compliance_uncertainty_um_per_mn"], "um/mN"
        ),
    ),
    Field("Arm and cartridge (g)", lambda row: words.number(row["moving_mass_g"])),
    amount("resonance_hz", "Resonance", "Hz"),
    Field(
        "Range, 95 % (Hz)",
        lambda row: (
            f"{words.figure(row['resonance_low_hz'], 'Hz')} to "
            f"{words.figure(row['resonance_high_hz'], 'Hz')}"
        ),
    ),
    Field("Verdict", lambda row: _verdict(row), numeric=False),
    Field("To add (g)", lambda row: words.number(row["change_g"], signed=True)),
    Field("Arms that would do (g)", lambda row: suitable_arms(row)),
)


def sentences(rows: Sequence[Row]) -> list[str]:
    """Say for every arm where the resonance lies, and what to add or to take off.

    By what was measured, where that is known, else by the data sheet. Chains of which the same is
    to be said share a sentence.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of `arm_match` of one cartridge.
    """
    measured = [row for row in rows if row["basis"] == MEASURED]
    chains: dict[str, list[str]] = {}
    for row in measured or rows:
        chains.setdefault(_said(row), []).append(row["chain"])
    return [f"On {_listed(names)} {said}" for said, names in chains.items()]


def suitable_arms(row: Row) -> str:
    """Write the effective masses of arms that put the resonance within the band; or none."""
    if row["arm_to_g"] < ARM_LEAST_G:
        return "none is light enough"
    low_g = max(row["arm_from_g"], 0.0)
    return f"{words.number(low_g)} to {words.number(row['arm_to_g'])}"


def _verdict(row: Row) -> str:
    said = VERDICTS[row["verdict"]]
    return said if row["certain"] else f"{said}, not certain"


def _said(row: Row) -> str:
    """Say where a resonance lies and what would move it."""
    by = (
        f"by the compliance measured ({row['axis']})"
        if row["basis"] == MEASURED
        else f"by the compliance of the data sheet ({row['basis']})"
    )
    where = (
        f"the resonance lies at {words.with_unit(row['resonance_hz'], 'Hz')} (95 %: "
        f"{words.interval(row['resonance_low_hz'], row['resonance_high_hz'], 'Hz')}) {by}: "
    )
    return where + _advice(row)


def _advice(row: Row) -> str:
    """Advise a change only where the whole range asks for it."""
    low, high = row["resonance_low_hz"], row["resonance_high_hz"]
    if row["certain"]:
        said = VERDICTS[row["verdict"]]
        return (
            f"{said}; {_change(row)}" if row["change_g"] else f"{said}, nothing to add or remove."
        )
    reach = [
        VERDICTS[name]
        for name, does in (("low", low < BAND_HZ[0]), ("high", high > BAND_HZ[1]))
        if does
    ]
    way = (
        "captures of a resonance track would make it surer"
        if row["basis"] == MEASURED
        else "measure it on a resonance track before you change anything"
    )
    if row["verdict"] == "within":
        return f"probably within, but it may be {' or '.join(reach)}; {way}."
    return f"probably {VERDICTS[row['verdict']]}, but not certainly; {way}."


def _change(row: Row) -> str:
    mass = f"{words.number(abs(row['change_g']))}\N{NO-BREAK SPACE}g"
    if row["arm_to_g"] < ARM_LEAST_G:
        return f"it would take {mass} less, and no arm is light enough."
    way = "more" if row["change_g"] > 0 else "less"
    arms = f"an arm of {suitable_arms(row)}\N{NO-BREAK SPACE}g"
    return f"{mass} {way} at the headshell, or {arms}, would bring it within."


def _listed(names: Sequence[str]) -> str:
    if len(names) == 1:
        return f"chain {names[0]}"
    return f"chains {', '.join(names[:-1])} and {names[-1]}"
