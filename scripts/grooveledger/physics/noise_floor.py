"""What is clear of the noise, and which bounds noise allows on what is not."""

import numpy as np

#: A line is clear of the noise where its reading is at least this times the noise's (amplitudes).
#: Noise alone, a complex Gaussian, exceeds it with probability exp(-4) = 1.8 %.
HEARD_RE_FLOOR = 2.0
#: Amplitude, relative to its rms, that complex Gaussian noise exceeds 5 % of the time: sqrt(ln 20).
NOISE_95 = 1.7308


def is_heard(amplitude: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """Return whether the power of a set of lines is clear of the noise's.

    Parameters
    ----------
    amplitude, floor : ndarray, shape (..., lines)
        Readings and rms noise of the same unit; a NaN line counts for nothing.

    Returns
    -------
    ndarray of bool, shape (...)
        True where the summed power is at least `HEARD_RE_FLOOR`^2 times the noise's, and not zero.

    Examples
    --------
    >>> is_heard(np.array([[2.1], [1.9]]), np.array([[1.0], [1.0]])).tolist()
    [True, False]
    """
    power, noise = np.nansum(amplitude**2, axis=-1), np.nansum(floor**2, axis=-1)
    return (power >= HEARD_RE_FLOOR**2 * noise) & (power > 0.0)


def upper_bound(amplitude: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """Return what a line's amplitude does not exceed, with 95 % confidence or more.

    The line is the reading less a noise of unknown phase: at most their sum.

    Examples
    --------
    >>> float(upper_bound(np.array(1.0), np.array(0.1)).round(4))
    1.1731
    """
    return amplitude + NOISE_95 * floor
