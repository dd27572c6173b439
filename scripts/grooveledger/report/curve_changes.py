"""The difference of the curves of two captures, and how sure it is.

What two captures have in common cancels in their difference: the tolerance of one record, the gain
and the response of one preamplifier. Left are the noise of either, the platter's speed, and what
two playings of one record differ by.
"""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from grooveledger.measure.quantities import distortion, response, separation
from grooveledger.physics.uncertainty import student_factors
from grooveledger.report.grids import chosen
from grooveledger.report.pictures.overlay import AXES
from grooveledger.report.pictures.rows import Columns
from grooveledger.storage import tables

Row = Mapping[str, Any]
#: What has to be the same of two captures for tolerances to cancel.
IN_COMMON = ("record", "side", "copy", "chain")
#: Of each table the metrics read from its curve: column and frequency.
AT_FREQUENCY = {
    "response": response.AT_FREQUENCY,
    "separation": separation.AT_FREQUENCY,
    "distortion": distortion.AT_FREQUENCY,
}
#: Of each table the standard uncertainty of every point that a capture shares with no other.
OWN: dict[str, Callable[[Columns], np.ndarray]] = {
    "response": lambda rows: np.hypot(rows["noise_db"], rows["speed_db"]),
    "separation": separation.noise_db,
    "distortion": lambda rows: rows["noise_pct"],
}
#: Where a table has it, the column of the standard uncertainty with everything in it.
WHOLE = {"response": "uncertainty_db"}
NORMAL_95 = float(student_factors(np.inf))
CANCELS = (
    "The band is the 95 % uncertainty of the difference: noise and speed of both captures, and "
    "what two playings differ by. Tolerances of record and preamplifier, the same in both, cancel."
)
DOES_NOT_CANCEL = (
    "Record or chain differ, so their tolerances are part of the difference: the band is the 95 % "
    "uncertainty of both captures together."
)


class Change(NamedTuple):
    """The newer curve less the older where both are, and half its 95 % band, where it is known."""

    frequency_hz: np.ndarray
    change: np.ndarray
    half_band: np.ndarray | None


class BudgetedCapture(NamedTuple):
    """A capture: its row, and the rows of its budgets."""

    row: Row
    budgets: Columns


def played(row: Row, tables_folder: Path) -> BudgetedCapture:
    """Read the budgets of a capture."""
    rows = chosen(tables_folder / "budgets.parquet", capture=row["capture"])
    return BudgetedCapture(row, tables.columns(rows))


def is_alike(one: Row, other: Row) -> bool:
    """Say whether two captures share record, side, copy and chain."""
    return all(one.get(name) == other.get(name) for name in IN_COMMON)


def note(one: Row, other: Row, changes: list[Change]) -> str:
    """Say what the band is; nothing where there is none."""
    if all(change.half_band is None for change in changes):
        return ""
    return CANCELS if is_alike(one, other) else DOES_NOT_CANCEL


def curve_change(
    table: str,
    channel: str,
    old: tuple[BudgetedCapture, Columns],
    new: tuple[BudgetedCapture, Columns],
) -> Change:
    """Subtract an older curve from a newer one, on the newer one's frequencies.

    Parameters
    ----------
    table, channel : str
        Of the curves.
    old, new : tuple of BudgetedCapture and mapping of arrays
        Capture and curve, frequencies rising.
    """
    (older, old_curve), (newer, new_curve) = old, new
    x = new_curve["frequency_hz"]
    inside = (x >= old_curve["frequency_hz"].min()) & (x <= old_curve["frequency_hz"].max())
    x = x[inside]

    def there(values: np.ndarray) -> np.ndarray:
        moved: np.ndarray = np.interp(np.log(x), np.log(old_curve["frequency_hz"]), values)
        return moved

    column = AXES[table][0]
    change = new_curve[column][inside] - there(old_curve[column])
    whole = not is_alike(older.row, newer.row)
    parts = []
    for capture, curve in ((older, old_curve), (newer, new_curve)):
        repeats = _repeats_95(capture.budgets, table, channel, x)
        own = _own(table, curve, whole)
        if repeats is None or own is None:
            return Change(x, change, None)
        parts += [repeats, NORMAL_95 * (own[inside] if curve is new_curve else there(own))]
    half: np.ndarray = np.sqrt(np.sum(np.square(parts), axis=0))
    return Change(x, change, half)


def _own(table: str, curve: Columns, whole: bool) -> np.ndarray | None:
    """Return each point's standard uncertainty: the capture's own part, or all of it on request."""
    if not whole:
        return OWN[table](curve)
    return curve[WHOLE[table]] if table in WHOLE else None


def _repeats_95(budgets: Columns, table: str, channel: str, x: np.ndarray) -> np.ndarray | None:
    """Return half the 95 % interval of one playing's scatter, between the metrics' frequencies.

    Beyond the outermost of them it stays as it is there; None where no metric has any.
    """
    places, halves = [], []
    for metric, (column, frequency_hz) in AT_FREQUENCY[table].items():
        own = (budgets["metric"] == metric) & (budgets["channel"] == channel)
        own &= np.isfinite(budgets["repeatability"])
        if column == AXES[table][0] and own.any():
            first = int(np.argmax(own))
            degrees = np.nan_to_num(budgets["repeatability_dof"][first], nan=np.inf)
            places.append(np.log(frequency_hz))
            halves.append(float(budgets["repeatability"][first] * student_factors(degrees)))
    if not places:
        return None
    between: np.ndarray = np.interp(np.log(x), places, halves)
    return between
