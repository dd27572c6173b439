"""The level that a response refers to: at 1 kHz, confirmed by the readings around it."""

from typing import NamedTuple

import numpy as np

from grooveledger.measure.curve_metrics import is_readable
from grooveledger.measure.curves import covers, value_at
from grooveledger.physics.equalisation import REFERENCE_HZ

#: Readings so far from 1 kHz, in octaves, confirm the reference; cartridges are even there.
CONFIRMING_OCTAVES = 1.0 / 6.0
#: A straight line takes three readings to show which of them is off.
CONFIRMING_LEAST = 4
#: A reading is off from this many times its noise and this much besides, dB: what a response may
#: bend within the confirming octaves, and what the platter's momentary speed adds (common
#: practice).
OFF_SIGMAS, OFF_DB = 4.0, 0.1


class Reference(NamedTuple):
    """Where a response is 0 dB: frequency, level, and the level's standard uncertainty by noise."""

    frequency_hz: float
    level_db: float
    noise_db: float


def reference_of(
    frequency_hz: np.ndarray, level_db: np.ndarray, noise_db: np.ndarray, limited: np.ndarray
) -> Reference:
    """Return the level that a response refers to.

    At 1 kHz where the curve covers it: between the two readings beside it, if both agree with a
    straight line through all readings within a sixth of an octave; a reading that a tick has moved
    is left out, and the line itself is the reference. A curve that passes 1 kHz in a step of more
    than a third of an octave refers to its point nearest to it; one that does not reach it, bounds
    left out, to the mean over its octave nearest to 1 kHz, named by that octave's geometric centre.

    Parameters
    ----------
    frequency_hz, level_db, noise_db : ndarray, shape (n,)
        The curve, in any order, and each reading's standard uncertainty.
    limited : ndarray of bool, shape (n,)
        Readings that are bounds.

    Examples
    --------
    A tick on the reading at 1 kHz does not move the reference:

    >>> hz = 1000.0 * 2.0 ** (np.arange(-12, 13) / 24.0)
    >>> level_db = np.where(hz == 1000.0, 3.0, 0.5)
    >>> found = reference_of(hz, level_db, np.full(25, 0.01), np.zeros(25, bool))
    >>> round(found.frequency_hz), round(found.level_db, 6)
    (1000, 0.5)
    """
    stated = ~limited & np.isfinite(level_db)
    hz, level, noise = frequency_hz[stated], level_db[stated], noise_db[stated]
    if not len(hz):
        return Reference(REFERENCE_HZ, float("nan"), float("nan"))
    if covers(hz, REFERENCE_HZ):
        rising = np.argsort(hz, kind="stable")
        hz, level, noise = hz[rising], level[rising], noise[rising]
        if not is_readable(hz, REFERENCE_HZ):
            nearest = int(np.argmin(np.abs(np.log(hz / REFERENCE_HZ))))
            return Reference(float(hz[nearest]), float(level[nearest]), float(noise[nearest]))
        return _at_1khz(hz, level, noise)
    low, high = float(hz.min()), float(hz.max())
    octave = (low, 2.0 * low) if low > REFERENCE_HZ else (high / 2.0, high)
    octave = (max(octave[0], low), min(octave[1], high))
    inside = (hz >= octave[0]) & (hz <= octave[1])
    centre_hz = float(np.sqrt(octave[0] * octave[1]))
    noise_of_mean_db = float(np.sqrt(np.sum(noise[inside] ** 2))) / int(inside.sum())
    return Reference(centre_hz, float(np.mean(level[inside])), noise_of_mean_db)


def _at_1khz(hz: np.ndarray, level_db: np.ndarray, noise_db: np.ndarray) -> Reference:
    between_db = value_at(hz, level_db, REFERENCE_HZ)
    noise = value_at(hz, noise_db, REFERENCE_HZ)
    octaves = np.log2(hz / REFERENCE_HZ)
    near = np.flatnonzero(np.abs(octaves) <= CONFIRMING_OCTAVES)
    if len(near) < CONFIRMING_LEAST:
        return Reference(REFERENCE_HZ, between_db, noise)
    x, y = octaves[near], level_db[near]
    first, second = np.triu_indices(len(near), 1)
    apart = x[second] != x[first]
    slope = np.median((y[second] - y[first])[apart] / (x[second] - x[first])[apart])
    line_db = float(np.median(y - slope * x))
    off = np.abs(y - slope * x - line_db) > OFF_SIGMAS * noise_db[near] + OFF_DB
    beside = np.argsort(np.abs(x), kind="stable")[:2]
    if off[beside].any():
        return Reference(REFERENCE_HZ, line_db, noise)
    return Reference(REFERENCE_HZ, between_db, noise)
