"""A single sudden change in a series: a knock, a re-alignment, something changed and not noted.

The largest of the t ratios of a step at every place, beside everything else the model holds (Quandt
1960; Andrews 1993), against a critical value for the largest of so many. A single odd capture is
not a step: odd captures that stand alone are put aside first, and a step needs three captures on
each side.
"""

import numpy as np

from grooveledger.interpret.drift.robust import ROUNDING, Array

#: Captures wanted on each side of a step: one odd capture, or two, are no new level.
CAPTURES_EACH_SIDE = 3
#: A capture this many robust standard deviations from the fit is odd.
ODD_SDS = 4.0
#: So many neighbours odd in the same direction are a level, not an accident.
ODD_RUN = 3
#: Share of a step's own variation that the rest of the model must leave, to be seen at all.
MINIMUM_OWN_PART = 1e-6
#: Probability that a history without a step is said to have one.
FALSE_ALARM = 0.035
#: A step less likely than this to be chance is beyond doubt.
DOUBTFUL_ABOVE = 0.002
#: Critical t ratios at these two probabilities against n, for a line in evenly spaced hours and
#: normal scatter: our own simulation (benchmark_drift.py prints them again).
CRITICAL_N = np.array([8, 9, 10, 12, 14, 16, 20, 25, 30, 40, 60, 100, 200, 500, 1000])
CRITICAL_T = np.array(
    [3.87, 3.82, 3.77, 3.69, 3.62, 3.57, 3.52, 3.48, 3.45, 3.43, 3.42, 3.43, 3.46, 3.49, 3.52]
)
CLEAR_T = np.array(
    [7.35, 6.78, 6.30, 5.71, 5.37, 5.16, 4.91, 4.71, 4.60, 4.46, 4.38, 4.30, 4.31, 4.32, 4.33]
)


def isolated_odd(residuals: Array, scale: float) -> np.ndarray:
    """Tell which captures, in the order of hours, are odd and no new level.

    A level that a fit to the majority leaves aside lasts to one end of the history: odd captures
    at an end, `ODD_RUN` of them or more on one side, are such a level. One capture among them may
    be otherwise, two in a row end it.
    """
    side = np.where(np.abs(residuals) > ODD_SDS * scale, np.sign(residuals), 0.0)
    level = _end_level(side) | _end_level(side[::-1])[::-1]
    return np.asarray((side != 0.0) & ~level)


def _end_level(side: Array) -> np.ndarray:
    """Tell which captures belong to a level that lasts to the end."""
    level = np.zeros(len(side), dtype=bool)
    if len(side) < ODD_RUN:
        return level
    for sign in (-1.0, 1.0):
        other = side[::-1] != sign
        twice = np.flatnonzero(other[1:] & other[:-1])
        length = int(twice[0]) if len(twice) else len(side)
        if np.sum(~other[:length]) >= ODD_RUN:
            level[len(side) - length :] |= ~other[:length][::-1]
    return level


def critical_t(captures: int, columns: int, table: Array = CRITICAL_T) -> float:
    """Return the t ratio that only `FALSE_ALARM` of histories without a step exceed.

    With `table` = `CLEAR_T` it is the one that only `DOUBTFUL_ABOVE` of them do.
    """
    effective = captures - (columns - 2)
    return float(np.interp(np.log(effective), np.log(CRITICAL_N), table))


def largest_step(
    design: Array, values: Array, step_columns: Array, places: np.ndarray
) -> tuple[int, float]:
    """Return the place of the likeliest step and its t ratio.

    Parameters
    ----------
    design : ndarray, shape (n, p)
    values : ndarray, shape (n,)
    step_columns : ndarray, shape (n, k)
        Candidate steps, transformed like the design.
    places : ndarray, shape (k,)
        Whatever names the candidates.

    Returns
    -------
    place, t : int, float
        Place -1 and t 0 where no candidate can be told from the rest of the model.
    """
    basis, _ = np.linalg.qr(design)
    residual = values - basis @ (basis.T @ values)
    size = np.sum(step_columns**2, axis=0)
    own = size - np.sum((basis.T @ step_columns) ** 2, axis=0)
    visible = own > MINIMUM_OWN_PART * size
    if not np.any(visible):
        return -1, 0.0
    own = np.where(visible, own, 1.0)
    gain = np.where(visible, (step_columns.T @ residual) ** 2 / own, 0.0)
    left = float(residual @ residual)
    # Figures that are equal but for rounding have no scatter that a step could stand out of.
    if left <= len(values) * (ROUNDING * float(np.max(np.abs(values)))) ** 2:
        return -1, 0.0
    degrees = max(len(values) - design.shape[1] - 1, 1)
    best = int(np.argmax(gain))
    rest = max(left - float(gain[best]), np.finfo(float).tiny * left)
    return int(places[best]), float(np.sqrt(gain[best] * degrees / rest))


def candidate_steps(hours: Array, kept: np.ndarray) -> np.ndarray:
    """Return the indices i of captures that could be the first after a step.

    At least `CAPTURES_EACH_SIDE` kept captures lie on each side, and hours differ across it.
    """
    before = np.cumsum(kept) - kept
    after = np.sum(kept) - before
    apart = np.diff(hours, prepend=hours[0] if len(hours) else 0.0) > 0.0
    fits = (before >= CAPTURES_EACH_SIDE) & (after >= CAPTURES_EACH_SIDE) & kept & apart
    return np.flatnonzero(fits)
