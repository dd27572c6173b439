"""Uncertainty of measurement after the GUM (JCGM 100)."""

import numpy as np
import numpy.typing as npt

#: JCGM 100, 6.2: the level of confidence usual for an expanded uncertainty.
COVERAGE = 0.95


def rectangular(half_width: npt.ArrayLike) -> np.ndarray:
    """Return the standard uncertainty of a value known to lie within +/- `half_width`.

    JCGM 100, 4.3.7: half-width over sqrt(3).
    """
    return np.asarray(np.asarray(half_width, dtype=float) / np.sqrt(3.0))


def combine(*standard_uncertainties: npt.ArrayLike) -> np.ndarray:
    """Return the root of the sum of squares of independent components (JCGM 100, 5.1.2)."""
    squares = [np.asarray(component, dtype=float) ** 2 for component in standard_uncertainties]
    return np.asarray(np.sqrt(sum(squares)))


def effective_degrees_of_freedom(
    standard_uncertainties: npt.ArrayLike, degrees_of_freedom: npt.ArrayLike
) -> float:
    """Return the degrees of freedom of a combined uncertainty (Welch-Satterthwaite; JCGM 100, G.4).

    Parameters
    ----------
    standard_uncertainties : array_like, shape (n,)
        The components.
    degrees_of_freedom : array_like, shape (n,)
        Theirs; infinity for a component known without doubt.

    Returns
    -------
    float
        Infinity where every component with a finite number is zero.
    """
    u = np.asarray(standard_uncertainties, dtype=float)
    spread = float(np.sum(u**4 / np.asarray(degrees_of_freedom, dtype=float)))
    return float(np.sum(u**2) ** 2 / spread) if spread > 0.0 else float("inf")


def coverage_factor(degrees_of_freedom: float = float("inf"), coverage: float = COVERAGE) -> float:
    """Return k of an interval +/- k u that holds the value with probability `coverage`.

    JCGM 100, G.3: the quantile of Student's t, of the normal distribution for infinite degrees.
    """
    # Imported here: the measures combine uncertainties, and only interpretation expands them.
    from scipy.special import ndtri, stdtrit

    probability = 0.5 + 0.5 * coverage
    if np.isinf(degrees_of_freedom):
        return float(ndtri(probability))
    return float(stdtrit(degrees_of_freedom, probability))


def tolerance_db(*half_widths_db: float) -> float:
    """Standard uncertainty of a level from tolerances within which any value is as likely."""
    return float(combine(*(rectangular(half_width) for half_width in half_widths_db)))


def noise_level_db(noise_to_signal: npt.ArrayLike) -> np.ndarray:
    """Standard uncertainty of a level, dB, from an rms noise-to-signal ratio of amplitudes.

    Half of the noise's power is in phase with the signal; the ratio is held at 1, where a level has
    ceased to mean anything.
    """
    ratio = np.minimum(np.asarray(noise_to_signal, dtype=float), 1.0)
    return np.asarray(20.0 / np.log(10.0) * ratio / np.sqrt(2.0))
