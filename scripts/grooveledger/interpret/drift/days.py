"""Captures of one day as one occasion, and how far they repeat.

Captures of one evening share the room and the set-up, so they are not independent evidence of wear:
figures, hours and conditions are averaged over the day before anything is fitted. How far captures
of one day differ is the repeatability of ISO 5725-2.
"""

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

#: Captures further apart than this were not made on one day, whatever their dates say.
HOURS_A_DAY = 24.0
#: A day's figure this many robust standard deviations from its neighbours is odd; with few days the
#: robust standard deviation is itself uncertain, which this many more for each day fewer allow for
#: (our own simulation, scripts/studies/drift_study.py).
ODD_SDS = 5.0
FEW_DAYS = 5.0
#: Neighbours that a day is compared with, itself included (Hampel's filter; Hampel 1974).
WINDOW = 5
#: Median absolute deviation of a normal distribution, in standard deviations.
NORMAL_MAD = 0.6744897501960817
#: Scatter below this share of the figures' size is rounding of the arithmetic.
ROUNDING = 1e-10


def day_labels(captured_at: np.ndarray, hours: Array) -> np.ndarray:
    """Return a label of the day of each of n captures; one without a date is a day of its own."""
    dated = np.array([moment[:10] for moment in captured_at], dtype=object)
    for i, label in enumerate(dated):
        if not label[:1].isdigit():
            dated[i] = f"capture {i}"
    for label in set(dated):
        same = dated == label
        if np.ptp(hours[same]) > HOURS_A_DAY:
            dated[same] = [f"{label} {hour}" for hour in hours[same]]
    return dated.astype(str)


def averaging(day: np.ndarray, hours: Array) -> Array:
    """Return the matrix (d, n) that averages n captures over their d days, in order of hours.

    Examples
    --------
    >>> averaging(np.array(["a", "b", "a"]), np.array([1.0, 5.0, 2.0])).tolist()
    [[0.5, 0.0, 0.5], [0.0, 1.0, 0.0]]
    """
    _, label = np.unique(day, return_inverse=True)
    same = np.eye(label.max() + 1)[label].T if len(day) else np.zeros((0, 0))
    means = same / np.maximum(same.sum(axis=1, keepdims=True), 1.0)
    return means[np.argsort(means @ hours, kind="stable")]


def repeatability_sd(values: Array, cell: np.ndarray) -> Array:
    """Return the repeatability standard deviation (S,) of ISO 5725-2 from repeats in one cell.

    Parameters
    ----------
    values : ndarray, shape (S, n)
    cell : ndarray, shape (n,)
        Label of day, record side and chain: captures with one label repeat each other.

    Returns
    -------
    ndarray
        NaN where nothing was repeated.
    """
    _, label = np.unique(cell, return_inverse=True)
    repeats = len(cell) - (label.max() + 1 if len(label) else 0)
    if repeats <= 0:
        return np.full(len(values), np.nan)
    same = np.eye(label.max() + 1)[label]
    means = same / same.sum(axis=0)
    rest = values - (values @ means) @ same.T
    return np.sqrt(np.sum(rest**2, axis=1) / repeats)


def within_days(values: Array, day: np.ndarray, played: np.ndarray) -> tuple[Array, Array]:
    """Return what its record and chain add to a capture's day mean, and what scatters beyond.

    Parameters
    ----------
    values : ndarray, shape (S, n)
    day, played : ndarray, shape (n,)
        Labels of the day, and of record and chain.

    Returns
    -------
    effect : ndarray, shape (S, n)
        0 on days of one record and chain.
    sd : ndarray, shape (S,)
        Standard deviation of a single capture within its day; NaN where nothing shows it.

    Examples
    --------
    >>> values = np.array([[1.0, 2.0, 5.0, 6.0]])
    >>> effect, sd = within_days(values, np.array(["x", "x", "y", "y"]), np.array([*"abab"]))
    >>> effect.round(9).tolist(), sd.round(9).tolist()
    ([[-0.5, 0.5, -0.5, 0.5]], [0.0])
    """
    of_day, of_record = (np.unique(label, return_inverse=True)[1] for label in (day, played))
    days = np.eye(of_day.max() + 1)[of_day]
    means = days / days.sum(axis=0)
    rest = values - (values @ means) @ days.T
    records = np.eye(of_record.max() + 1)[of_record]
    records = records - days @ (means.T @ records)
    effect = rest @ np.linalg.pinv(records, rcond=1e-9).T @ records.T
    free = len(day) - days.shape[1] - int(np.linalg.matrix_rank(records, tol=1e-9))
    if free <= 0:
        return effect, np.full(len(values), np.nan)
    return effect, np.sqrt(np.sum((rest - effect) ** 2, axis=1) / free)


def odd_deviations(values: Array, design: Array) -> Array:
    """Return by how much odd days deviate from their neighbours; 0 for all others.

    Parameters
    ----------
    values : ndarray, shape (S, d)
    design : ndarray, shape (d, p)

    Returns
    -------
    ndarray, shape (S, d)
        Less this, a value lies among its neighbours. A change that lasts is not odd: its days have
        one another for neighbours.
    """
    away = np.zeros_like(values)
    if values.shape[1] <= WINDOW:
        return away
    basis = np.linalg.qr(design)[0]
    sds = ODD_SDS * (1.0 + FEW_DAYS / max(values.shape[1] - design.shape[1], 1))
    for _ in range(2):
        kept = values - away
        rest = values - (kept @ basis) @ basis.T
        middle = np.median(rest, axis=1, keepdims=True)
        scale = np.median(np.abs(rest - middle), axis=1, keepdims=True) / NORMAL_MAD
        # Where most days agree to the last digit, their mean deviation is the scatter.
        scale = np.where(scale > 0.0, scale, np.mean(np.abs(rest - middle), axis=1, keepdims=True))
        rounding = ROUNDING * np.max(np.abs(values), axis=1, keepdims=True)
        local = rest - _moving_median(rest)
        away = np.where(np.abs(local) > sds * scale + rounding, local, 0.0)
    return away


def _moving_median(rows: Array) -> Array:
    half = WINDOW // 2
    padded = np.pad(rows, ((0, 0), (half, half)), constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, WINDOW, axis=1)
    return np.nanmedian(windows, axis=2)
