"""Robust linear regression of many series at once, with intervals that keep their word.

A redescending (bisquare) fit started from least absolute deviations, with its scale from the
weighted residuals (the scheme of Yohai 1987 with the final scale of Koller & Stahel 2011,
'Sharpening Wald-type inference in robust regression for small samples'). Hours are chosen by the
person who plays, so only the figures can be odd, never the places where they were taken: least
absolute deviations are a safe start.

Shapes: S series of n captures each, p columns of the design; `design` is (S, n, p), `values`
(S, n).
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import stdtr, stdtrit

Array = npt.NDArray[np.float64]

#: Tuning constant of the bisquare in robust standard deviations: nothing beyond it counts. 4.685
#: has 95 % efficiency for normal scatter (Holland & Welsch 1977); 6 (Mosteller & Tukey 1977) has
#: 98 % and keeps the interval's coverage with as few as eight captures.
BISQUARE_SDS = 6.0
#: Level of every interval.
CONFIDENCE = 0.95
#: Of a normal distribution: the median of the absolute deviation, in standard deviations.
NORMAL_MAD = 0.6744897501960817
LAD_ITERATIONS = 20
BISQUARE_ITERATIONS = 50
#: The variance of few captures is widened by the factor 1 + this / (n - p)^2: keeps the coverage
#: of eight unevenly spaced captures (our own simulation, benchmark_drift.py).
SMALL_SAMPLE = 1.5
#: Change of a coefficient that ends the iteration, relative to it.
CONVERGED = 1e-9
#: Residuals below this share of their median count as equal in the start's weights.
LAD_FLOOR = 1e-4
#: Scatter below this share of the figures' size is rounding of the arithmetic.
ROUNDING = 1e-12


class Fit(NamedTuple):
    """What a fit of S series found.

    Attributes
    ----------
    coefficients : ndarray, shape (S, p)
    covariance : ndarray, shape (S, p, p)
        Covariance of the coefficients.
    scale : ndarray, shape (S,)
        Standard deviation of the scatter about the fit, odd captures apart.
    weights : ndarray, shape (S, n)
        1 for a capture that counts fully, 0 for one left out as odd.
    degrees_of_freedom : ndarray, shape (S,)
        Of the scale.
    """

    coefficients: Array
    covariance: Array
    scale: Array
    weights: Array
    degrees_of_freedom: Array


def bisquare(standardised: Array) -> Array:
    """Return Tukey's bisquare weights of residuals in standard deviations."""
    u = standardised / BISQUARE_SDS
    return np.where(np.abs(u) < 1.0, (1.0 - u * u) ** 2, 0.0)


def _bisquare_slope(standardised: Array) -> Array:
    u = (standardised / BISQUARE_SDS) ** 2
    return np.where(u < 1.0, (1.0 - u) * (1.0 - 5.0 * u), 0.0)


def _consistency() -> float:
    """Return E[w(z) z^2] / E[w(z)] of a standard normal z: makes the scale a standard deviation."""
    z = np.linspace(-BISQUARE_SDS, BISQUARE_SDS, 20001)
    density = bisquare(z) * np.exp(-0.5 * z * z)
    return float(np.sum(density * z * z) / np.sum(density))


SCALE_CONSISTENCY = _consistency()


def weighted_least_squares(design: Array, values: Array, weights: Array) -> Array:
    """Return the coefficients (S, p) of weighted least squares."""
    weighted = design * weights[..., None]
    gram = np.swapaxes(weighted, 1, 2) @ design
    moment = np.swapaxes(weighted, 1, 2) @ values[..., None]
    return np.asarray(np.linalg.solve(gram, moment)[..., 0])


def least_absolute_deviations(design: Array, values: Array) -> Array:
    """Return the coefficients (S, p) that minimise the sum of absolute residuals.

    By iterated reweighting, so not to the last digit: a start, not an end.
    """
    weights = np.ones_like(values)
    coefficients = weighted_least_squares(design, values, weights)
    tiny = _tiny(values)
    middle = values.shape[1] // 2
    for _ in range(LAD_ITERATIONS):
        residuals = np.abs(_residuals(design, values, coefficients))
        # About one for a usual capture, so that the normal equations stay well conditioned.
        usual = np.partition(residuals, middle, axis=1)[:, middle : middle + 1] + tiny
        weights = usual / np.maximum(residuals, LAD_FLOOR * usual)
        coefficients = weighted_least_squares(design, values, weights)
    return coefficients


def start_scale(residuals: Array, columns: int) -> Array:
    """Return the scatter (S,) from the median absolute residual.

    Least absolute deviations pass exactly through as many captures as the design has columns:
    those say nothing of the scatter and are left out.
    """
    ordered = np.sort(np.abs(residuals), axis=1)[:, columns:]
    return np.asarray(np.median(ordered, axis=1) / NORMAL_MAD)


def robust_fit(
    design: Array, values: Array, effective_n: Array | None = None, start: Array | None = None
) -> Fit:
    """Fit S linear models robustly.

    Parameters
    ----------
    design : ndarray, shape (S, n, p)
        Full column rank, n > p.
    values : ndarray, shape (S, n)
        Finite.
    effective_n : ndarray, shape (S,), optional
        Independent captures that the n amount to, where some share a session; default n.
    start : ndarray, shape (S, p), optional
        Coefficients to start from, themselves robust; default least absolute deviations.

    Returns
    -------
    Fit
        The covariance is that of Huber (1981, section 7.6) with his correction of order p/n; its
        degrees of freedom are `effective_n` - p.

    Raises
    ------
    ValueError
        Where there are no more captures than columns.
    """
    n, p = design.shape[1:]
    if n <= p:
        raise ValueError(f"{n=} captures cannot carry {p=} columns and their scatter")
    coefficients = least_absolute_deviations(design, values) if start is None else start
    tiny = _tiny(values)[:, 0]
    scale = np.maximum(start_scale(_residuals(design, values, coefficients), p), tiny)
    for step in range(BISQUARE_ITERATIONS):
        weights = bisquare(_residuals(design, values, coefficients) / scale[:, None])
        previous = coefficients
        coefficients = weighted_least_squares(design, values, weights)
        residuals = _residuals(design, values, coefficients)
        # The first rounds keep the start's scale, so that odd captures are out before it moves.
        if step >= 3:
            scale = np.maximum(_weighted_scale(residuals, weights, p), tiny)
            if np.all(np.abs(coefficients - previous) <= CONVERGED * (1.0 + np.abs(coefficients))):
                break
    standardised = residuals / scale[:, None]
    weights = bisquare(standardised)
    degrees = (np.full(len(values), float(n)) if effective_n is None else effective_n) - p
    slopes = _bisquare_slope(standardised)
    steepness = slopes.mean(axis=1)
    correction = 1.0 + p / n * slopes.var(axis=1) / steepness**2
    influence = np.sum((weights * standardised) ** 2, axis=1) / (n - p)
    variance = (correction * scale / steepness) ** 2 * influence
    variance = variance * (1.0 + SMALL_SAMPLE / (n - p) ** 2)
    # Figures that are equal but for rounding are no better known than that.
    variance = np.maximum(variance, tiny**2)
    covariance = variance[:, None, None] * np.linalg.inv(np.swapaxes(design, 1, 2) @ design)
    return Fit(coefficients, covariance, scale, weights, np.maximum(degrees, 1.0))


def _weighted_scale(residuals: Array, weights: Array, columns: int) -> Array:
    n = residuals.shape[1]
    mean_square = np.sum(weights * residuals**2, axis=1) / np.sum(weights, axis=1)
    return np.asarray(np.sqrt(mean_square / SCALE_CONSISTENCY * n / (n - columns)))


def _residuals(design: Array, values: Array, coefficients: Array) -> Array:
    return np.asarray(values - (design @ coefficients[..., None])[..., 0])


def _tiny(values: Array) -> Array:
    size = np.max(np.abs(values), axis=1, keepdims=True)
    return np.asarray(ROUNDING * size + np.finfo(float).tiny)


def quantile_t(degrees_of_freedom: npt.ArrayLike) -> Array:
    """Return the two-sided quantile of Student's t at `CONFIDENCE`."""
    return np.asarray(stdtrit(np.asarray(degrees_of_freedom, dtype=float), 0.5 + CONFIDENCE / 2))


def two_sided_p(ratio: npt.ArrayLike, degrees_of_freedom: npt.ArrayLike) -> Array:
    """Return the two-sided probability of an estimate that many standard errors from zero."""
    degrees = np.asarray(degrees_of_freedom, dtype=float)
    return np.asarray(2.0 * stdtr(degrees, -np.abs(np.asarray(ratio, dtype=float))))


def theil_sen(hours: npt.ArrayLike, values: npt.ArrayLike) -> float:
    """Return the median of all slopes between two captures of different hours (Sen 1968)."""
    x = np.asarray(hours, dtype=float)
    y = np.asarray(values, dtype=float)
    first, second = np.triu_indices(len(x), k=1)
    apart = x[second] != x[first]
    return float(np.median((y[second] - y[first])[apart] / (x[second] - x[first])[apart]))
