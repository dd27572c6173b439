"""Bands of a third of an octave (IEC 61260-1), and how sure the power of noise in a band is."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

#: IEC 61260-1: octave frequency ratio of the base-ten system, and the reference frequency.
OCTAVE_RATIO = 10.0 ** (3.0 / 10.0)
REFERENCE_HZ = 1000.0
BANDS_AN_OCTAVE = 3
#: Nominal mid-band frequencies from 20 Hz to 20 kHz (ISO 266), Hz; 1 kHz is band 0.
NOMINAL_HZ = (
    *(20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0),
    *(500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0),
    *(6300.0, 8000.0, 10_000.0, 12_500.0, 16_000.0, 20_000.0),
)
#: Decibels of a factor e in power.
DB_PER_NEPER_OF_POWER = 10.0 / np.log(10.0)


class Bands(NamedTuple):
    """Bands by rising frequency, Hz, shape (n,) each: nominal and exact middle, and the edges."""

    nominal_hz: np.ndarray
    middle_hz: np.ndarray
    low_hz: np.ndarray
    high_hz: np.ndarray


def third_octaves() -> Bands:
    """Return the bands of the audio range.

    Exact middles are 1000 Hz times powers of ten to the tenth; a band reaches half of that ratio to
    either side.

    Examples
    --------
    >>> bands = third_octaves()
    >>> [float(hz.round(2)) for hz in (bands.middle_hz[15], bands.low_hz[17], bands.high_hz[17])]
    [630.96, 891.25, 1122.02]
    """
    nominal_hz = np.array(NOMINAL_HZ)
    place = np.arange(len(nominal_hz)) - NOMINAL_HZ.index(REFERENCE_HZ)
    middle_hz = REFERENCE_HZ * OCTAVE_RATIO ** (place / BANDS_AN_OCTAVE)
    half = OCTAVE_RATIO ** (0.5 / BANDS_AN_OCTAVE)
    return Bands(nominal_hz, middle_hz, middle_hz / half, middle_hz * half)


def in_bands(
    edges_hz: np.ndarray, powers: np.ndarray, low_hz: np.ndarray, high_hz: np.ndarray
) -> np.ndarray:
    """Return the power in each of some bands, of narrower ones in which it is evenly spread.

    Parameters
    ----------
    edges_hz : ndarray, shape (m + 1,)
        Edges of the narrow bands, rising.
    powers : ndarray, shape (m,)
        Power in each.
    low_hz, high_hz : ndarray, shape (n,)
        The bands wanted; they lie within the edges.

    Examples
    --------
    >>> in_bands(np.array([0.0, 1.0, 2.0]), np.array([3.0, 5.0]), np.array([0.5]), np.array([2.0]))
    array([6.5])
    """
    total = np.concatenate([[0.0], np.cumsum(powers)])
    return np.asarray(np.interp(high_hz, edges_hz, total) - np.interp(low_hz, edges_hz, total))


def noise_power_db(bandwidth_hz: npt.ArrayLike, averaged_s: npt.ArrayLike) -> np.ndarray:
    """Return the standard uncertainty of the level of Gaussian noise, dB.

    The mean square over a time T in a bandwidth B scatters by 1 / sqrt(B T) of itself: it is a mean
    of B T independent squares of two components each (Bendat and Piersol, from memory).

    Examples
    --------
    >>> float(noise_power_db(100.0, 1.0).round(3))
    0.434
    """
    count = np.asarray(bandwidth_hz, dtype=float) * np.asarray(averaged_s, dtype=float)
    return np.asarray(DB_PER_NEPER_OF_POWER / np.sqrt(count))
