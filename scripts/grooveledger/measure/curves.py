"""Reading a curve: on log frequency, within its ends, after smoothing."""

import numpy as np

#: A curve covers a frequency within its ends or this far beyond them, relative.
COVER_TOLERANCE = 0.005


def covers(frequency_hz: np.ndarray, wanted_hz: float) -> bool:
    """Whether a curve with points at `frequency_hz`, in any order, reaches a frequency.

    Examples
    --------
    >>> hz = np.array([20.0, 19_950.0])
    >>> covers(hz, 20_000.0), covers(hz, 21_000.0)
    (True, False)
    """
    if not len(frequency_hz):
        return False
    reach = 1.0 + COVER_TOLERANCE
    return bool(frequency_hz.min() <= wanted_hz * reach and wanted_hz <= frequency_hz.max() * reach)


def value_at(frequency_hz: np.ndarray, values: np.ndarray, wanted_hz: float) -> float:
    """Read a curve at a frequency by interpolation on log frequency.

    Parameters
    ----------
    frequency_hz, values : ndarray, shape (n,)
        The curve, in any order.
    wanted_hz : float
        Where it is read.

    Returns
    -------
    float
        NaN where the curve does not cover the frequency; the end's value just beyond an end.
    """
    if not covers(frequency_hz, wanted_hz):
        return float("nan")
    order = np.argsort(frequency_hz, kind="stable")
    return float(np.interp(np.log(wanted_hz), np.log(frequency_hz[order]), values[order]))


def smoothed(frequency_hz: np.ndarray, values: np.ndarray, octaves: float) -> np.ndarray:
    """Average a curve over a width in octaves about each point.

    The width shrinks towards the ends so that it stays centred: a slope keeps its ends.

    Parameters
    ----------
    frequency_hz, values : ndarray, shape (n,)
        The curve, frequencies rising.
    octaves : float
        The full width; 0 leaves the curve as it is.
    """
    if octaves <= 0.0 or not len(values):
        return values
    first, after = _windows(frequency_hz, octaves)
    total = np.concatenate([[0.0], np.cumsum(values)])
    return (total[after] - total[first]) / (after - first)


def averaged_points(frequency_hz: np.ndarray, octaves: float) -> np.ndarray:
    """Return how many points `smoothed` averages at each point."""
    if octaves <= 0.0 or not len(frequency_hz):
        return np.ones(len(frequency_hz))
    first, after = _windows(frequency_hz, octaves)
    return np.asarray(after - first, dtype=float)


def _windows(frequency_hz: np.ndarray, octaves: float) -> tuple[np.ndarray, np.ndarray]:
    place = np.log2(frequency_hz)
    half = np.minimum(0.5 * octaves, np.minimum(place - place[0], place[-1] - place)) + 1e-9
    first = np.searchsorted(place, place - half, side="left")
    return first, np.searchsorted(place, place + half, side="right")
