"""What stands clear of the noise, and what noise allows to be said of what does not."""

import numpy as np

#: A line counts as heard where its reading is at least this times the noise's (amplitudes). Noise
#: alone, a complex Gaussian, passes it with probability exp(-4) = 1.8 %.
HEARD_RE_FLOOR = 2.0
#: Amplitude re its rms that complex Gaussian noise exceeds 5 % of the time: sqrt(ln 20).
NOISE_95 = 1.7308


def is_heard(amplitude: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """Tell where the power of a set of lines stands clear of the noise's.

    Parameters
    ----------
    amplitude, floor : ndarray, shape (..., lines)
        Readings and rms noise of the same unit; a NaN line counts for nothing.

    Returns
    -------
    ndarray of bool, shape (...)
        True where the summed power is at least `HEARD_RE_FLOOR`^2 times the noise's, and not nil.
    """
    power, noise = np.nansum(amplitude**2, axis=-1), np.nansum(floor**2, axis=-1)
    return np.asarray((power >= HEARD_RE_FLOOR**2 * noise) & (power > 0.0))


def upper_bound(amplitude: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """Return what a line's amplitude does not exceed, with 95 % confidence or more.

    The line is the reading less a noise of unknown phase: at most their sum.
    """
    return np.asarray(amplitude + NOISE_95 * floor)
