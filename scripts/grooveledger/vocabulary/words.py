"""How pages write figures, units and verdicts."""

import math
from collections.abc import Mapping
from typing import Any

from grooveledger.schemas.states import Verdict

#: Units as people write them.
UNITS = {
    "um": "\N{MICRO SIGN}m",
    "um/mN": "\N{MICRO SIGN}m/mN",
    "deg": "\N{DEGREE SIGN}",
    "1/min": "per min",
    "degC": "\N{DEGREE SIGN}C",
    "ohm": "\N{GREEK CAPITAL LETTER OMEGA}",
    "kohm": "k\N{GREEK CAPITAL LETTER OMEGA}",
    "mV s/cm": "mV per cm/s",
}
#: Decimals usual for a figure of a unit.
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
    "ohm": 0,
    "kohm": 1,
    "pF": 0,
}
#: Decimals at most, of a change to show that it is none, and of anything with its uncertainty.
PLACES_MOST, ROUNDED_MOST = 4, 6
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
#: Verdicts of drift in a few words.
VERDICTS = {
    Verdict.STEADY: "steady",
    Verdict.DRIFTING: "drifting",
    Verdict.PAST_LIMIT: "past its limit",
    Verdict.TOO_FEW: "too few captures",
    Verdict.CONFOUNDED: "cause not separable",
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
    """Write a figure with the decimals usual for its unit, without the unit."""
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
    """Write a figure and its standard uncertainty: two significant digits, the figure to match.

    That is how uncertainties are to be stated (JCGM 100:2008, 7.2.6).
    """
    if value is None or uncertainty is None or not uncertainty > 0 or not math.isfinite(value):
        return figure(value, unit_name)
    places = uncertainty_places(uncertainty)
    return f"{rounded(value, places)} \N{PLUS-MINUS SIGN} {rounded(uncertainty, places)}"


def uncertainty(value: Any) -> str:
    """Write a standard uncertainty or a spread by itself: two significant digits."""
    if value is None or not math.isfinite(value):
        return NONE
    return rounded(value, uncertainty_places(value)) if value > 0 else "0"


def slope(row: Mapping[str, Any]) -> tuple[str, str, str]:
    """Write a drift row's slope per 100 h and its interval, to two digits of the interval's half.

    So the ends of an interval are never written alike.
    """
    value, low, high = (row[name] for name in ("slope_per_100h", "slope_low", "slope_high"))
    if low is None or high is None:
        return number(value, PLACES.get(row["unit"] or "", 2), True), NONE, NONE
    places = (
        uncertainty_places((high - low) / 2) if high > low else PLACES.get(row["unit"] or "", 2)
    )
    return rounded(value, places, True), rounded(low, places, True), rounded(high, places, True)


def uncertainty_places(uncertainty: float) -> int:
    """Return the decimals that show two digits of an uncertainty; negative for tens and more."""
    exponent = math.floor(math.log10(uncertainty))
    # 0.0996 rounds to 0.10: two digits of what it becomes, not of what it was.
    if round(uncertainty / 10.0 ** (exponent - 1)) >= 100:
        exponent += 1
    return 1 - exponent


def places_for(least: float | None, unit_name: str | None) -> int:
    """Return the decimals usual for a unit, or as many more as show `least`."""
    places = PLACES.get(unit_name or "", 2)
    while least is not None and places < PLACES_MOST and round(least, places) == 0:
        places += 1
    return places


def rounded(value: Any, places: int, signed: bool = False) -> str:
    """Write a number to a decimal place, which may lie before the point."""
    if value is None:
        return NONE
    places = min(places, ROUNDED_MOST)
    return number(round(value, places), max(places, 0), signed)


def change_unit(unit_name: str | None) -> str:
    """Write the unit of a change: a change of a percentage is in percentage points."""
    return "percentage points" if unit_name == "%" else unit(unit_name)


def interval(low: Any, high: Any, unit_name: str) -> str:
    """Write an interval whose ends may be open; one number where both are written alike."""
    if low is None and high is None:
        return NONE
    if low is None:
        return f"up to {with_unit(high, unit_name)}"
    if high is None:
        return f"{with_unit(low, unit_name)} or more"
    first, last = figure(low, unit_name), figure(high, unit_name)
    shown = first if first == last else f"{first} to {last}"
    return f"{shown}\N{NO-BREAK SPACE}{unit(unit_name)}"


def day(captured_at: str | None) -> str:
    """Write the date part of an ISO 8601 date or date-time."""
    return (captured_at or NONE)[:10]


def month(iso_date: str) -> str:
    """Write the month of an ISO 8601 date: June 2024."""
    return f"{MONTHS[int(iso_date[5:7]) - 1]} {iso_date[:4]}"
