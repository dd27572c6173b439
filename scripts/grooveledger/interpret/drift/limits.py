"""Limits, and the hours at which a fitted line meets one, with an interval.

The line is f(t) = a + b t + d, with t in hundreds of hours from the baseline and d the step, where
there was one and t lies beyond it. Every kind of limit is a linear condition on (a, b, d), so its
interval is Fieller's (1954): all t at which the condition cannot be refused. It may be open to one
side or to both, and then says so.
"""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift.days import Array
from grooveledger.measure.quantities import METRICS

#: What a stylus is commonly taken to be worn at, as the metrics declare it.
DEFAULT_LIMITS: dict[str, dict[str, float]] = {
    name: {str(kind): value for kind, value in metric.limit.items()}
    for name, metric in METRICS.items()
    if metric.limit
}


class Limit(NamedTuple):
    """One limit as a condition: `level` a + b t + d = `target`, passed in direction `side`.

    Attributes
    ----------
    level : float
        Factor of a: 1 for an absolute limit, 0 for a change, 1 - F for a factor F of the baseline.
    target : float
    side : int
        -1 where the figure passes by falling, +1 by rising.
    relative : bool
        True for a change from the baseline.
    """

    level: float
    target: float
    side: int
    relative: bool

    def value(self, baseline: float) -> float:
        """Return the limit as a value of the figure."""
        return self.target + (1.0 - self.level) * baseline

    def passed(self, value: float, baseline: float) -> bool:
        """Return whether a value lies on the far side of the limit."""
        return self.side * (value - self.value(baseline)) > 0.0


class Crossing(NamedTuple):
    """Where a limit is met, in t; None where it never is, low or high None where open."""

    at: float | None
    low: float | None
    high: float | None


def limits_of(rules: Mapping[str, float]) -> list[Limit]:
    """Return the limits that a metric's configuration names.

    Parameters
    ----------
    rules : mapping
        Any of falls_by, rises_by, changes_by (in the figure's unit, from the baseline),
        falls_to_factor, rises_to_factor (of the baseline), minimum, maximum (absolute).
    """
    kinds = {
        "falls_by": lambda x: [Limit(0.0, -x, -1, True)],
        "rises_by": lambda x: [Limit(0.0, x, 1, True)],
        "changes_by": lambda x: [Limit(0.0, -x, -1, True), Limit(0.0, x, 1, True)],
        "falls_to_factor": lambda x: [Limit(1.0 - x, 0.0, -1, True)],
        "rises_to_factor": lambda x: [Limit(1.0 - x, 0.0, 1, True)],
        "minimum": lambda x: [Limit(1.0, x, -1, False)],
        "maximum": lambda x: [Limit(1.0, x, 1, False)],
    }
    return [limit for kind, number in sorted(rules.items()) for limit in kinds[kind](number)]


def fieller(
    constant: Array, slope: Array, target: float, coefficients: Array, covariance: Array, t: float
) -> tuple[float, float, bool]:
    """Return the set of x at which (constant + x slope)'coefficients may equal `target`.

    Fieller (1954); for a straight line the usual limits of inverse estimation. Found as the x where
    ((constant + x slope)'beta - target)^2 <= t^2 (constant + x slope)' V (constant + x slope).

    Parameters
    ----------
    constant, slope : ndarray, shape (p,)
    coefficients, covariance : ndarray, shapes (p,) and (p, p)
    t : float
        Quantile of Student's t.

    Returns
    -------
    low, high : float
        The roots; -inf and inf where every x belongs to the set.
    inside : bool
        True where the set lies between the roots, False where it is all but that.
    """
    miss = float(constant @ coefficients) - target
    steepness = float(slope @ coefficients)
    quadratic = steepness**2 - t**2 * float(slope @ covariance @ slope)
    half_linear = miss * steepness - t**2 * float(constant @ covariance @ slope)
    free = miss**2 - t**2 * float(constant @ covariance @ constant)
    discriminant = half_linear**2 - quadratic * free
    if quadratic == 0.0 or discriminant <= 0.0:
        # A parabola that opens upwards always has roots here; this one lies below zero throughout.
        return -np.inf, np.inf, True
    roots = (-half_linear + np.array([-1.0, 1.0]) * np.sqrt(discriminant)) / quadratic
    return float(roots.min()), float(roots.max()), quadratic > 0.0


def crossing(
    limit: Limit,
    coefficients: Array,
    covariance: Array,
    t: float,
    step_at: float | None = None,
) -> Crossing:
    """Return where the fitted line meets a limit, from the baseline on.

    Parameters
    ----------
    limit : Limit
    coefficients, covariance : ndarray
        Of (a, b), or of (a, b, d) with a step.
    t : float
        Quantile of Student's t.
    step_at : float, optional
        The step's place.

    Returns
    -------
    Crossing
        In the unit of t. Met already at the baseline gives 0. A line that does not move towards the
        limit has no crossing, yet its interval has a lower end where the band meets the limit.
    """
    baseline = float(coefficients[0])
    if limit.passed(baseline, baseline):
        return Crossing(0.0, None, None)
    before = _piece(limit, coefficients, covariance, t, after_step=False)
    if step_at is None or before.high < step_at:
        return _told(before)
    after = _piece(limit, coefficients, covariance, t, after_step=True)
    landing = np.array([limit.level, step_at, 1.0])
    beyond = limit.side * (float(landing @ coefficients) - limit.target)
    at: float | None
    if before.at is not None and before.at <= step_at:
        at = before.at
    else:
        at = step_at if beyond > 0.0 else after.at
    low = before.low if before.low < step_at else max(after.low, step_at)
    high = max(after.high, step_at)
    if beyond > t * np.sqrt(float(landing @ covariance @ landing)):
        # The step leads beyond the limit for certain: what comes later is no first meeting.
        low, high = min(before.low, step_at), step_at
    return _told(_Piece(at, low, high))


class _Piece(NamedTuple):
    """One straight piece's crossing and the ends of its interval; low = inf where it is empty."""

    at: float | None
    low: float
    high: float


def _piece(
    limit: Limit, coefficients: Array, covariance: Array, t: float, after_step: bool
) -> _Piece:
    """Return where one straight line meets the limit, for t of 0 and more."""
    p = len(coefficients)
    constant = np.array([limit.level, 0.0, float(after_step)])[:p]
    slope = np.array([0.0, 1.0, 0.0])[:p]
    steepness = float(coefficients[1])
    at: float | None = None
    if steepness * limit.side > 0.0:
        place = (limit.target - float(constant @ coefficients)) / steepness
        at = place if place >= 0.0 else None
    low, high, inside = fieller(constant, slope, limit.target, coefficients, covariance, t)
    if not inside:
        # Two open pieces; a first one that reaches beyond the baseline leaves nothing to say.
        low, high = (high, np.inf) if low < 0.0 else (-np.inf, np.inf)
    return _Piece(at, low, high) if high >= 0.0 else _Piece(at, np.inf, -np.inf)


def _told(piece: _Piece) -> Crossing:
    low = piece.low if 0.0 < piece.low < np.inf else None
    high = piece.high if 0.0 <= piece.high < np.inf else None
    return Crossing(piece.at, low, high)
