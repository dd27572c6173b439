"""Least squares of many figures at once, and tests that allow for all of them together.

S figures of the same d days share a design (d, p). One further column is tested in every figure by
its t ratio; how large the largest ratio of a whole page becomes by chance is read from the figures
themselves, with the residuals of whole days permuted (Freedman & Lane 1983), so that correlated
figures count as the one family they are (Westfall & Young 1993).
"""

from typing import NamedTuple

import numpy as np
from scipy.special import stdtr, stdtrit

from grooveledger.interpret.drift.days import ROUNDING, Array

#: Level of every interval.
CONFIDENCE = 0.95
#: A column whose part outside the others is below this share is their combination.
RANK_TOLERANCE = 1e-8
#: Permuted residuals of fewer degrees of freedom, or with less of a column, count as with so many.
LEAST_FREE, LEAST_KEPT = 0.5, 0.05


class Fit(NamedTuple):
    """A least-squares fit of S figures.

    Attributes
    ----------
    coefficients : ndarray, shape (S, p)
    unscaled : ndarray, shape (p, p)
        Covariance of the coefficients for a scatter of 1.
    degrees : ndarray, shape (S,)
        Degrees of freedom: days less columns less odd days.
    scatter_sd : ndarray, shape (S,)
    """

    coefficients: Array
    unscaled: Array
    degrees: Array
    scatter_sd: Array

    def error(self, column: int) -> Array:
        """Return the standard error (S,) of a coefficient."""
        return self.scatter_sd * np.sqrt(self.unscaled[column, column])

    def covariance(self, figure: int) -> Array:
        """Return the covariance (p, p) of one figure's coefficients."""
        return self.scatter_sd[figure] ** 2 * self.unscaled


def fit(design: Array, values: Array, n_odd: Array) -> Fit:
    """Fit S figures (S, d) to a design (d, p) of full rank; `n_odd` (S,) days do not count."""
    unscaled = np.linalg.pinv(design.T @ design, hermitian=True)
    coefficients = values @ np.linalg.pinv(design).T
    rest = values - coefficients @ design.T
    degrees = np.maximum(design.shape[0] - design.shape[1] - n_odd, 1.0)
    floor = ROUNDING * np.max(np.abs(values), axis=1)
    scatter = np.maximum(np.sqrt(np.sum(rest**2, axis=1) / degrees), floor)
    return Fit(coefficients, np.asarray(unscaled), np.asarray(degrees), scatter)


def t_quantile(degrees: Array | float) -> Array:
    """Return the quantile of Student's t that a two-sided interval of `CONFIDENCE` needs."""
    return np.asarray(stdtrit(degrees, 0.5 + 0.5 * CONFIDENCE))


def two_sided_p(t: Array | float, degrees: Array | float) -> Array:
    """Return the two-sided probability of Student's t."""
    return np.asarray(2.0 * stdtr(degrees, -np.abs(t)))


def normal_score(t_squared: Array, degrees: Array) -> Array:
    """Return the normal deviate that is as unlikely as a t ratio (Wallace 1959)."""
    factor = (8.0 * degrees + 1.0) / (8.0 * degrees + 3.0)
    return factor * np.sqrt(degrees * np.log1p(t_squared / degrees))


def outside(column: Array, basis: Array) -> Array | None:
    """Return the unit vector of a column's part outside a basis; None where there is none."""
    rest = column - basis @ (basis.T @ column)
    size = float(np.sqrt(rest @ rest))
    if size <= RANK_TOLERANCE * float(np.sqrt(column @ column)) or size == 0.0:
        return None
    return rest / size


def residuals(values: Array, basis: Array) -> Array:
    """Return what an orthonormal basis (d, q) leaves of S figures, exact zeros for rounding."""
    rest = values - (values @ basis) @ basis.T
    floor = ROUNDING * np.max(np.abs(values), axis=1, keepdims=True)
    return np.where(np.max(np.abs(rest), axis=1, keepdims=True) > floor, rest, 0.0)


def column_scores(
    basis: Array, column: Array, values: Array, orders: np.ndarray, n_odd: Array
) -> tuple[Array, Array]:
    """Return the normal score of one further column, as it is and with days permuted.

    Parameters
    ----------
    basis : ndarray, shape (d, q)
        Orthonormal basis of what the model holds besides.
    column : ndarray, shape (d,)
    values : ndarray, shape (S, d)
    orders : ndarray of int, shape (B, d)
        Permutations of the days.
    n_odd : ndarray, shape (S,)

    Returns
    -------
    scores, permuted : ndarray, shapes (S,) and (S, B)
        0 where the column lies within the basis, or nothing scatters.
    """
    unit = outside(column, basis)
    days, held = basis.shape
    if unit is None or days - held < 2:
        return np.zeros(len(values)), np.zeros((len(values), len(orders)))
    rest = residuals(values, basis)
    total = np.sum(rest**2, axis=1)
    degrees = np.maximum(days - held - 1 - n_odd, 1.0)
    own = (rest @ unit) ** 2
    permuted = (rest @ unit[orders].T) ** 2
    explained = np.zeros_like(permuted)
    for held_column in basis.T:
        explained += (rest @ held_column[orders].T) ** 2
    left = total[:, None] - explained - permuted
    free, kept = permuted_degrees(basis, unit[:, None], orders)
    kept = kept[:, 0]
    left *= (days - held - 1) / np.maximum(free - kept, LEAST_FREE)
    return (
        _score(own, total - own, degrees),
        _score(permuted / np.maximum(kept, LEAST_KEPT), left, degrees[:, None]),
    )


def permuted_degrees(basis: Array, units: Array, orders: np.ndarray) -> tuple[Array, Array]:
    """Return the mean squares of permuted residuals outside a basis, in all and along columns.

    Residuals lack what their basis explains. Permuted days lack it in another direction, in part
    that of the columns, so that they show less than chance does unless all days have equal leverage
    (a constant alone, of days that scatter alike and independently).

    Parameters
    ----------
    basis : ndarray, shape (d, q)
    units : ndarray, shape (d, k)
        Unit vectors outside the basis.
    orders : ndarray of int, shape (B, d)

    Returns
    -------
    free, kept : ndarray, shapes (B,) and (B, k)
        d - q and 1 throughout where no direction is lost.

    Examples
    --------
    >>> even = np.full((4, 1), 0.5)
    >>> unit = np.array([[0.5], [0.5], [-0.5], [-0.5]])
    >>> free, kept = permuted_degrees(even, unit, np.array([[1, 3, 0, 2]]))
    >>> free.tolist(), kept.tolist()
    ([3.0], [[1.0]])
    """
    days, held = basis.shape
    back = np.empty_like(orders)
    np.put_along_axis(back, orders, np.arange(days)[np.newaxis], axis=1)
    moved = basis.T[:, back]
    kept = 1.0 - np.sum((moved @ units) ** 2, axis=0)
    lost = held - np.sum((moved @ basis) ** 2, axis=(0, 2))
    return days - held - lost, kept


def _score(explained: Array, left: Array, degrees: Array) -> Array:
    tiny = np.finfo(float).eps * (explained + np.abs(left)) + np.finfo(float).tiny
    ratio = explained * degrees / np.maximum(left, tiny)
    return normal_score(np.where(explained > 0.0, ratio, 0.0), degrees)


def page_probability(scores: Array, largest: Array) -> Array:
    """Return the probability of each score as the largest of a page without any such effect.

    Parameters
    ----------
    scores : ndarray, shape (S,)
    largest : ndarray, shape (B,)
        The page's largest score in each permutation.
    """
    ordered = np.sort(largest)
    above = len(ordered) - np.searchsorted(ordered, scores * (1.0 - 1e-12), side="left")
    return np.asarray((1.0 + above) / (1.0 + len(ordered)))
