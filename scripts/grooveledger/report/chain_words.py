"""What a chain is, in words."""

from collections.abc import Mapping
from typing import Any

from grooveledger.vocabulary import words


def load_words(chain: Mapping[str, Any]) -> str:
    """Say the load of a chain: resistance, and capacitance with the cable."""
    amplifier = chain["preamplifier"]
    load_pf = chain["cable"]["capacitance_pf"] + amplifier["input_capacitance_pf"]
    load_kohm = f"{amplifier['input_resistance_ohm'] / 1000:.4g}"
    return f"{load_kohm} k{words.UNITS['ohm']}, {words.number(load_pf, 0)} pF"


def chain_words(chain: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Say what a chain is, in pairs of name and value."""
    amplifier = chain["preamplifier"]
    return [
        ("Load", f"{load_words(chain)} with the cable"),
        (
            "Gain and replay curve",
            f"{words.number(amplifier['gain_db'], 1)} dB, {amplifier['equalisation']}",
        ),
        ("Arm", f"{words.number(chain['arm_effective_mass_g'], 1)} g effective mass"),
        (
            "Converter",
            f"{words.number(chain['converter']['full_scale_v_rms'], 3)} V rms at full scale",
        ),
    ]
