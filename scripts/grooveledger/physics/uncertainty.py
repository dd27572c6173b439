"""Uncertainty of measurement after the GUM (JCGM 100)."""

import numpy as np
import numpy.typing as npt

#: JCGM 100, 6.2: the level of confidence usual for an expanded uncertainty.
COVERAGE = 0.95
#: Excess kurtosis of a rectangular distribution.
RECTANGULAR_KURTOSIS = -1.2
#: A sum of independent components between rectangular and normal has, at 95 %, the coverage factor
#: 1.96 + a g + b g^2 at the excess kurtosis g of their sum. The two numbers follow from what is
#: known in closed form: 1.645 for one rectangular distribution (JCGM 100, G.2.3: 0.95 sqrt 3) and
#: 1.902 for two equal ones (a triangle: sqrt 6 (1 - sqrt 0.05)).
NORMAL_95, KURTOSIS_TERM, KURTOSIS_SQUARE_TERM = 1.95996, -0.0691, -0.2764


def rectangular(half_width: npt.ArrayLike) -> np.ndarray:
    """Return the standard uncertainty of a value known to lie within +/- `half_width`.

    JCGM 100, 4.3.7: half-width over sqrt(3).

    Examples
    --------
    >>> float(rectangular(3.0).round(4))
    1.7321
    """
    return np.asarray(half_width, dtype=float) / np.sqrt(3.0)


def combine(*standard_uncertainties: npt.ArrayLike) -> np.ndarray:
    """Return the root of the sum of squares of independent components (JCGM 100, 5.1.2).

    Examples
    --------
    >>> float(combine(3.0, 4.0))
    5.0
    """
    squares = [np.asarray(component, dtype=float) ** 2 for component in standard_uncertainties]
    return np.sqrt(sum(squares))


def coverage_factor(degrees_of_freedom: float = float("inf"), coverage: float = COVERAGE) -> float:
    """Return k of an interval +/- k u that contains the value with probability `coverage`.

    JCGM 100, G.3: the quantile of Student's t, of the normal distribution for infinite degrees.

    Examples
    --------
    >>> round(coverage_factor(), 2), round(coverage_factor(5.0), 2)
    (1.96, 2.57)
    """
    # Imported here: the measures combine uncertainties, and only interpretation expands them.
    from scipy.special import ndtri, stdtrit

    probability = 0.5 + 0.5 * coverage
    if np.isinf(degrees_of_freedom):
        return float(ndtri(probability))
    return float(stdtrit(degrees_of_freedom, probability))


def student_factors(degrees_of_freedom: npt.ArrayLike) -> np.ndarray:
    """Return k of `coverage_factor` for many degrees of freedom at once, infinite ones among them.

    Examples
    --------
    >>> student_factors([5.0, float("inf")]).round(2).tolist()
    [2.57, 1.96]
    """
    from scipy.special import stdtrit

    finite = np.minimum(np.asarray(degrees_of_freedom, dtype=float), 1e9)
    return np.asarray(stdtrit(finite, 0.5 + 0.5 * COVERAGE))


def coverage_factors(
    degrees_of_freedom: npt.ArrayLike, normal: npt.ArrayLike, tolerances: npt.ArrayLike
) -> np.ndarray:
    """Return the 95 % coverage factors of sums of normal and rectangular components.

    A normal coverage factor is too wide where one tolerance dominates (JCGM 100, G.2.3). The excess
    kurtosis of a sum of independent components is that of each, weighted by the square of its share
    of the variance.

    Parameters
    ----------
    degrees_of_freedom : array_like, shape (n,)
        Effective ones of the sums.
    normal : array_like, shape (n,)
        Standard uncertainty of all normal components of each sum together.
    tolerances : array_like, shape (m, n)
        Standard uncertainty of each rectangular component of each sum.

    Examples
    --------
    One tolerance alone; two equal ones; one that noise equals:

    >>> inf = float("inf")
    >>> float(coverage_factors([inf], [0.0], [[1.0]])[0].round(2))
    1.64
    >>> float(coverage_factors([inf], [0.0], [[1.0], [1.0]])[0].round(2))
    1.9
    >>> float(coverage_factors([inf], [1.0], [[1.0]])[0].round(2))
    1.96
    """
    squares = np.asarray(tolerances, dtype=float) ** 2
    variance = np.asarray(normal, dtype=float) ** 2 + squares.sum(axis=0)
    quartic = RECTANGULAR_KURTOSIS * (squares**2).sum(axis=0)
    present = variance > 0.0
    kurtosis = np.divide(quartic, variance**2, out=np.zeros(variance.shape), where=present)
    shape = NORMAL_95 + KURTOSIS_TERM * kurtosis + KURTOSIS_SQUARE_TERM * kurtosis**2
    return shape * student_factors(degrees_of_freedom) / NORMAL_95


def between_db(
    tolerance_db: float, frequency_hz: npt.ArrayLike, reference_hz: npt.ArrayLike
) -> np.ndarray:
    """Return the standard uncertainty of a level relative to that at another frequency, dB.

    A response within +/- `tolerance_db` relative to the reference has no tolerance at the reference
    itself, and its full tolerance from an octave away on; in between it grows with the distance in
    octaves, since responses are smooth (common practice).

    Examples
    --------
    >>> between_db(1.0, [1000.0, 1414.2136, 10_000.0], 1000.0).round(4).tolist()
    [0.0, 0.2887, 0.5774]
    """
    ratio = np.asarray(frequency_hz, dtype=float) / np.asarray(reference_hz, dtype=float)
    return rectangular(tolerance_db) * np.minimum(np.abs(np.log2(ratio)), 1.0)


def apart_db(
    tolerance_db: float,
    frequency_hz: npt.ArrayLike,
    other_hz: npt.ArrayLike,
    reference_hz: npt.ArrayLike,
) -> np.ndarray:
    """Return the standard uncertainty of a level relative to one that is no reference itself, dB.

    Both depart from the reference by themselves where they lie an octave and more apart; nearer to
    one another they share what they depart by, in proportion (common practice, as `between_db`).

    Examples
    --------
    >>> apart_db(1.0, [2000.0, 20_000.0, 10_000.0], [1000.0, 10_000.0, 10_000.0], 1000.0).round(4)
    array([0.5774, 0.8165, 0.    ])
    """
    each = np.hypot(
        between_db(tolerance_db, frequency_hz, reference_hz),
        between_db(tolerance_db, other_hz, reference_hz),
    )
    near = np.sqrt(2.0) * between_db(tolerance_db, frequency_hz, other_hz)
    return np.minimum(each, near)


def tolerance_db(*half_widths_db: float) -> float:
    """Return the standard uncertainty of a level from tolerances, any value within as likely."""
    return float(combine(*(rectangular(half_width) for half_width in half_widths_db)))


def noise_level_db(noise_to_signal: npt.ArrayLike) -> np.ndarray:
    """Return the standard uncertainty of a level, dB, from an rms noise-to-signal ratio.

    The ratio is of amplitudes. Half of the noise's power is in phase with the signal; the ratio is
    kept to 1 at most, where a level has ceased to mean anything.

    Examples
    --------
    >>> float(noise_level_db(0.01).round(4))
    0.0614
    """
    ratio = np.minimum(np.asarray(noise_to_signal, dtype=float), 1.0)
    return 20.0 / np.log(10.0) * ratio / np.sqrt(2.0)
