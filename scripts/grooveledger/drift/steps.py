"""A single sudden change in a series: a knock, a re-alignment, something changed and not noted.

The largest of the t ratios of a step at every place, beside everything else the model holds (Quandt
1960; Andrews 1993), against a critical value for the largest of so many. A single odd capture is
not a step: odd captures that stand alone are put aside first, and a step needs three captures on
each side.
"""

import numpy as np

from grooveledger.drift.robust import Array

#: Captures wanted on each side of a step: one odd capture, or two, are no new level.
CAPTURES_EACH_SIDE = 3
#: A capture this many robust standard deviations from the fit is odd.
ODD_SDS = 4.0
#: So many neighbours odd in the same direction are a level, not an accident.
ODD_RUN = 3
#: Share of a step's own variation that the rest of the model must leave, to be seen at all.
MINIMUM_OWN_PART = 1e-6
#: Probability that a history without a step is said to have one.
FALSE_ALARM = 0.04
#: Critical t ratio at `FALSE_ALARM` against n, for a line in evenly spaced hours and normal
#: scatter: our own simulation (benchmark_drift.py prints it again).
CRITICAL_N = np.array([8, 9, 10, 12, 14, 16, 20, 25, 30, 40, 60, 100, 200, 500, 1000])
CRITICAL_T = np.array(
    [3.74, 3.69, 3.66, 3.60, 3.56, 3.49, 3.45, 3.41, 3.40, 3.37, 3.37, 3.37, 3.41, 3.48, 3.49]
)


def isolated_odd(residuals: Array, scale: float) -> np.ndarray:
    """Tell which captures, in the order of hours, are odd and stand alone."""
    side = np.where(np.abs(residuals) > ODD_SDS * scale, np.sign(residuals), 0.0)
    odd = side != 0.0
    run_start = np.flatnonzero(np.diff(side, prepend=np.nan) != 0.0)
    lengths = np.diff(np.append(run_start, len(side)))
    return np.asarray(odd & (np.repeat(lengths, lengths) < ODD_RUN))


def critical_t(captures: int, columns: int) -> float:
    """Return the t ratio that only `FALSE_ALARM` of histories without a step exceed."""
    effective = captures - (columns - 2)
    return float(np.interp(np.log(effective), np.log(CRITICAL_N), CRITICAL_T))


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
    if left <= 0.0:
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
