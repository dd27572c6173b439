"""Figures that are possible but unusual: more often a slip of the pen than the truth.

The ranges are common practice, wide enough that nothing usual is named.
"""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple


class Usual(NamedTuple):
    """A key's usual range, and what is often typed instead."""

    low: float
    high: float
    unit: str
    slip: str = ""


CARTRIDGE = {
    "mass_g": Usual(3.0, 20.0, "g"),
    "tracking_force_mn": Usual(5.0, 50.0, "mN", "1 gf is 9.81 mN"),
    "compliance_um_per_mn.static": Usual(4.0, 80.0, "um/mN"),
    "compliance_um_per_mn.dynamic_10hz": Usual(3.0, 50.0, "um/mN"),
    "coil.inductance_mh": Usual(0.005, 1500.0, "mH", "henries are thousands of these"),
    "coil.resistance_ohm": Usual(0.5, 3000.0, "ohm", "kilohms are thousands of these"),
    "rated.output_mv": Usual(0.05, 15.0, "mV"),
    "rated.output_velocity_cm_s": Usual(1.0, 11.0, "cm/s"),
    "rated.balance_db": Usual(0.1, 3.0, "dB"),
    "rated.separation_db": Usual(12.0, 45.0, "dB"),
    "rated.load_ohm": Usual(5.0, 150_000.0, "ohm", "47 kilohms are 47000"),
}
CHAIN = {
    "arm_effective_mass_g": Usual(3.0, 50.0, "g"),
    "cable.resistance_ohm": Usual(0.0, 5.0, "ohm"),
    "cable.inductance_uh": Usual(0.0, 20.0, "uH"),
    "cable.capacitance_pf": Usual(20.0, 800.0, "pF", "nanofarads are thousands of these"),
    "preamplifier.input_resistance_ohm": Usual(5.0, 150_000.0, "ohm", "47 kilohms are 47000"),
    "preamplifier.input_capacitance_pf": Usual(0.0, 1500.0, "pF"),
    "preamplifier.gain_db": Usual(20.0, 80.0, "dB"),
    "converter.full_scale_v_rms": Usual(0.2, 15.0, "V"),
}
TRACK = {
    "velocity_cm_s": Usual(0.1, 60.0, "cm/s"),
    "frequency_hz": Usual(4.0, 50_000.0, "Hz", "kilohertz are thousands of these"),
    "start_hz": Usual(2.0, 60_000.0, "Hz", "kilohertz are thousands of these"),
    "stop_hz": Usual(2.0, 60_000.0, "Hz", "kilohertz are thousands of these"),
    "frequencies_hz": Usual(4.0, 50_000.0, "Hz", "kilohertz are thousands of these"),
    "amplitudes_um": Usual(2.0, 200.0, "um"),
    "velocities_cm_s": Usual(0.1, 80.0, "cm/s"),
}
#: Tones of a speed track are nearly always one of these (IEC 60386 and older practice): a tone this
#: near to one, but not it, is more often a slip than a record of its own.
SPEED_TONES_HZ, SPEED_TONE_NEAR = (3000.0, 3150.0), 0.02


def unusual(mapping: Mapping[str, Any], usual: Mapping[str, Usual]) -> Iterator[str]:
    """Name the figures of a cartridge, a chain or a track outside their usual range."""
    for path, (low, high, unit, slip) in usual.items():
        value: Any = mapping
        for key in path.split("."):
            value = (value or {}).get(key)
        for number in value if isinstance(value, list) else [value]:
            if number is not None and not low <= number <= high:
                hint = f"; {slip}" if slip else ""
                yield f"{path} {number:g}: usual is {low:g} to {high:g} {unit}{hint}"


def unusual_speed_tone(track: Mapping[str, Any]) -> Iterator[str]:
    """Name a speed tone that is nearly, but not quite, one of the usual ones."""
    if track.get("purpose") != "speed" or not track.get("frequency_hz"):
        return
    nearest_hz = min(SPEED_TONES_HZ, key=lambda hz: abs(hz - track["frequency_hz"]))
    if 0.0 < abs(track["frequency_hz"] / nearest_hz - 1.0) < SPEED_TONE_NEAR:
        yield f"frequency_hz {track['frequency_hz']:g}: the usual speed tone is {nearest_hz:g} Hz"
