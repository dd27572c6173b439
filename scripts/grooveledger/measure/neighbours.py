"""Whether the readings of a curve agree with those beside them."""

import numpy as np

#: Readings at most so far apart, in octaves, are neighbours that must agree.
NEIGHBOUR_OCTAVES = 1.0 / 8.0
#: A reading is off from this many times its noise and this much besides, dB, from the middle of the
#: lines between its neighbours at 1, 2 and 3 places: a resonance of Q 5 bends by 1.3 dB over them.
OFF_SIGMAS, OFF_DB = 5.0, 2.0
NEIGHBOUR_PLACES = (1, 2, 3)
#: An octave is rough, all of it, where half of its readings are off their neighbours by this much.
ROUGH_SIGMAS, ROUGH_DB = 3.0, 0.7


def off_their_neighbours(
    frequency_hz: np.ndarray, level_db: np.ndarray, noise_db: np.ndarray
) -> np.ndarray:
    """Return which readings of a curve disagree with those beside them by more than noise allows.

    Parameters
    ----------
    frequency_hz, level_db, noise_db : ndarray, shape (n,)
        Readings by rising frequency, with each one's standard uncertainty from noise.

    Returns
    -------
    ndarray of bool, shape (n,)
        Single readings, and all of an octave in which half of them disagree. False for readings too
        far apart to be compared.

    Examples
    --------
    >>> hz = 1000.0 * 2.0 ** (np.arange(12) / 24.0)
    >>> level_db = np.where(np.arange(12) == 5, 9.0, 0.1 * np.arange(12))
    >>> np.flatnonzero(off_their_neighbours(hz, level_db, np.full(12, 0.05))).tolist()
    [5]
    """
    ends_off = _ends_off(np.log2(frequency_hz), level_db, noise_db)
    kept = np.flatnonzero(~ends_off)
    off_db = np.full(len(frequency_hz), np.nan)
    off_db[kept] = np.abs(level_db[kept] - between_neighbours(frequency_hz[kept], level_db[kept]))
    comparable = np.isfinite(off_db)
    off_db = np.nan_to_num(off_db)
    single = comparable & (off_db > OFF_SIGMAS * noise_db + OFF_DB)
    octave = np.floor(np.log2(frequency_hz / 1000.0))
    rough = np.zeros(len(frequency_hz), dtype=bool)
    for value in np.unique(octave[comparable]):
        inside = comparable & (octave == value)
        most_db = ROUGH_SIGMAS * np.median(noise_db[inside]) + ROUGH_DB
        rough |= (octave == value) & bool(np.median(off_db[inside]) > most_db)
    return single | rough | ends_off


def _ends_off(place: np.ndarray, level_db: np.ndarray, noise_db: np.ndarray) -> np.ndarray:
    """Return which readings at either end depart from the line that the next two would go on by.

    The readings that have no neighbours on one side: judged from the inside outwards, each by those
    that have passed.
    """
    n = len(place)
    off = np.zeros(n, dtype=bool)
    for order in (np.arange(n), np.arange(n)[::-1]):
        for end in range(min(NEIGHBOUR_PLACES[-1], n) - 1, -1, -1):
            inner = [i for i in order[end + 1 :] if not off[i]][:2]
            if len(inner) < 2:
                continue
            (near, far), here = inner, order[end]
            step = place[far] - place[near]
            if step == 0.0 or abs(place[far] - place[here]) > 2.0 * NEIGHBOUR_OCTAVES:
                continue
            beyond = (place[here] - place[near]) / step
            expected_db = level_db[near] + beyond * (level_db[far] - level_db[near])
            parts_db = noise_db[[here, near, far]] * np.array([1.0, 1.0 - beyond, beyond])
            allowed_db = OFF_SIGMAS * np.sqrt(parts_db @ parts_db) + OFF_DB
            off[here] = abs(level_db[here] - expected_db) > allowed_db
    return off


def between_neighbours(frequency_hz: np.ndarray, level_db: np.ndarray) -> np.ndarray:
    """Return what the neighbours of each reading say of it; NaN where they are too far apart.

    The median over 1, 2 and 3 places of what lies on the line between the two neighbours so far to
    either side: no single one of them decides.
    """
    n, widest = len(frequency_hz), NEIGHBOUR_PLACES[-1]
    said = np.full((len(NEIGHBOUR_PLACES), n), np.nan)
    place = np.log2(frequency_hz)
    for row, step in enumerate(NEIGHBOUR_PLACES):
        middle = np.arange(step, n - step)
        below, above = middle - step, middle + step
        wide = place[above] - place[below]
        near = (wide > 0.0) & (wide <= 2.0 * step * NEIGHBOUR_OCTAVES)
        middle, below, above, wide = (part[near] for part in (middle, below, above, wide))
        share = (place[middle] - place[below]) / wide
        said[row, middle] = level_db[below] + share * (level_db[above] - level_db[below])
    inner = np.isfinite(said).all(axis=0)
    inner[:widest] = inner[n - widest :] = False
    found = np.full(n, np.nan)
    found[inner] = np.median(said[:, inner], axis=0)
    return found
