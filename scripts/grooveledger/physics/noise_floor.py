"""What is clear of the noise, and which bounds noise allows on what is not."""

import numpy as np

#: A line is clear of the noise where its reading is at least this times the noise's (amplitudes).
#: Noise alone, a complex Gaussian, exceeds it with probability exp(-4) = 1.8 %.
HEARD_RE_FLOOR = 2.0
#: Amplitude, relative to its rms, that complex Gaussian noise exceeds 5 % of the time: sqrt(ln 20).
NOISE_95 = 1.7308

#: A figure is stated where this many standard uncertainties of its noise lie within the tolerance
#: that it stands for; elsewhere it is a bound. One in 370 then lies beyond that tolerance.
STATED_SIGMAS = 3.0
#: Standard uncertainty of a noise's power, relative: some 0.8 dB of scatter, and slopes.
NOISE_POWER_SIGMA = 0.3


def is_stated(noise: np.ndarray, tolerance: np.ndarray | float) -> np.ndarray:
    """Return whether noise leaves a figure within the tolerance that it stands for.

    Parameters
    ----------
    noise : ndarray
        Standard uncertainty from noise; NaN where there is no figure.
    tolerance : ndarray or float
        Of the same unit.
    """
    return STATED_SIGMAS * noise <= tolerance


def sum_noise(clean: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """Return the standard uncertainty of the root sum square of lines, noise power taken off.

    The power of a line of amplitude a in noise of power n has the variance 2 a^2 n + n^2 (a complex
    Gaussian of power n on a constant), and what is taken off for the noise is itself uncertain.

    Parameters
    ----------
    clean, floor : ndarray, shape (..., lines)
        Amplitudes less noise, and rms noise; a NaN line counts for nothing.

    Returns
    -------
    ndarray, shape (...)
        Infinite where there is noise and nothing else.

    Examples
    --------
    Far above the noise it is the part of the noise in phase with the line:

    >>> float(sum_noise(np.array([1.0]), np.array([0.01])).round(6))
    0.007071
    """
    noise = np.nan_to_num(floor) ** 2
    power = np.nan_to_num(clean) ** 2
    variance = np.sum(2.0 * power * noise + (1.0 + NOISE_POWER_SIGMA**2) * noise**2, axis=-1)
    total = np.sqrt(np.sum(power, axis=-1))
    nothing = np.where(variance > 0.0, np.inf, 0.0)
    return np.divide(0.5 * np.sqrt(variance), total, out=nothing, where=total > 0.0)


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
