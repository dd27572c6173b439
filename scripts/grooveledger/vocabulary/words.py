"""How pages write figures, units and verdicts."""

import math
from collections.abc import Mapping
from typing import Any

#: Units as people write them.
UNITS = {
    "um": "\N{MICRO SIGN}m",
    "um/mN": "\N{MICRO SIGN}m/mN",
    "deg": "\N{DEGREE SIGN}",
    "1/min": "per min",
    "degC": "\N{DEGREE SIGN}C",
    "ohm": "\N{GREEK CAPITAL LETTER OMEGA}",
    "mV s/cm": "mV per cm/s",
}
#: Decimals that a figure of a unit deserves.
PLACES = {
    "dB": 1,
    "mV": 2,
    "%": 2,
    "deg": 1,
    "Hz": 0,
    "h": 0,
    "um": 0,
    "um/mN": 1,
    "1/min": 1,
    "mV s/cm": 3,
}
#: Decimals at most.
PLACES_MOST = 4
#: Verdicts of drift in a few words.
VERDICTS = {
    "steady": "steady",
    "drifting": "drifting",
    "past_limit": "past its limit",
    "too_few": "too few captures",
    "confounded": "cause not separable",
}
#: An empty cell.
NONE = "\N{EN DASH}"


def unit(name: str | None) -> str:
    """Write a unit."""
    return UNITS.get(name or "", name or "")


def number(value: Any, places: int = 1, signed: bool = False) -> str:
    """Write a number with a true minus sign; a dash for none."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return NONE
    written = f"{value:{'+' if signed else ''}.{places}f}"
    if float(written) == 0:
        written = written.lstrip("+-")
    return written.replace("-", "\N{MINUS SIGN}")


def figure(value: Any, unit_name: str | None = None, signed: bool = False) -> str:
    """Write a figure with the decimals its unit deserves, without the unit."""
    places = PLACES.get(unit_name or "", 2)
    if unit_name == "Hz" and value is not None and abs(value) < 100:
        places = 1
    return number(value, places, signed)


def with_unit(value: Any, unit_name: str | None = None, signed: bool = False) -> str:
    """Write a figure and its unit."""
    written = figure(value, unit_name, signed)
    if written == NONE:
        return written
    space = "" if unit_name == "deg" else "\N{NO-BREAK SPACE}"
    return f"{written}{space}{unit(unit_name)}".strip()


def with_uncertainty(value: Any, uncertainty: Any, unit_name: str | None) -> str:
    """Write a figure and its standard uncertainty, with the decimals that show the latter."""
    written = figure(value, unit_name)
    if written == NONE or uncertainty is None or uncertainty <= 0:
        return written
    places = places_for(uncertainty, unit_name)
    return f"{number(value, places)} \N{PLUS-MINUS SIGN} {number(uncertainty, places)}"


def slope(row: Mapping[str, Any]) -> tuple[str, str, str]:
    """Write a drift row's slope per 100 h and its interval, with decimals that show its width."""
    value, low, high = (row[name] for name in ("slope_per_100h", "slope_low", "slope_high"))
    places = places_for(None if low is None or high is None else high - low, row["unit"])
    return number(value, places, True), number(low, places, True), number(high, places, True)


def places_for(least: float | None, unit_name: str | None) -> int:
    """Decimals that a unit deserves, or as many more as show `least`."""
    places = PLACES.get(unit_name or "", 2)
    while least is not None and places < PLACES_MOST and round(least, places) == 0:
        places += 1
    return places


def day(captured_at: str | None) -> str:
    """Write the date part of an ISO 8601 date or date-time."""
    return (captured_at or NONE)[:10]
