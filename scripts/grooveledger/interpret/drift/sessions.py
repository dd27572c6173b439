"""Captures of one day: how far they repeat, and how much of the scatter they share.

Two captures of one evening share the room and the set-up, so they are not two independent witnesses
of wear. The shared part is taken out by the transformation of Fuller & Battese (1973), after which
captures are exchangeable again; where no day has two captures nothing changes.
"""

import numpy as np

from grooveledger.interpret.drift.robust import NORMAL_MAD, Array

#: Repeats wanted before a shared part is estimated at all; fewer can hardly change a fit.
MINIMUM_REPEATS = 4
#: Residuals are drawn in to this many robust standard deviations before variances are formed.
CLIP_SDS = 3.0
#: Beyond such a share a day is one capture, and the transformation is ill-conditioned.
MAXIMUM_SHARE = 0.98


def day_sizes(day: np.ndarray) -> np.ndarray:
    """Return for each capture how many were made on its day."""
    _, index, counts = np.unique(day, return_inverse=True, return_counts=True)
    return np.asarray(counts[index])


def day_means(day: np.ndarray) -> Array:
    """Return the matrix (n, n) that replaces each capture by the mean of its day."""
    _, label = np.unique(day, return_inverse=True)
    same = label[:, None] == label[None, :]
    return np.asarray(same / same.sum(axis=1, keepdims=True))


def shared_part(residuals: Array, day: np.ndarray, columns: int, means: Array) -> Array:
    """Return the share (S,) of the variance that captures of one day have in common.

    Parameters
    ----------
    residuals : ndarray, shape (S, n)
        About a fit of `columns` columns.
    day : ndarray, shape (n,)
        Any label of the day.
    means : ndarray, shape (n, n)
        `day_means` of it.
    """
    n = residuals.shape[1]
    repeats = n - len(np.unique(day))
    if repeats < MINIMUM_REPEATS:
        return np.zeros(len(residuals))
    spread = np.median(np.abs(residuals), axis=1, keepdims=True) / NORMAL_MAD
    drawn = np.clip(residuals, -CLIP_SDS * spread, CLIP_SDS * spread)
    within = np.sum((drawn - drawn @ means.T) ** 2, axis=1) / repeats
    total = np.sum(drawn**2, axis=1) / max(n - columns, 1)
    share = 1.0 - within / np.where(total > 0.0, total, 1.0)
    return np.where(total > 0.0, np.clip(share, 0.0, MAXIMUM_SHARE), 0.0)


def transform_weights(share: Array, day: np.ndarray) -> Array:
    """Return theta (S, n): a row minus theta times its day's mean has independent scatter.

    Fuller & Battese (1973): theta = 1 - sqrt((1 - share) / (1 - share + m share)) for m captures
    that day.
    """
    m = day_sizes(day)[None, :]
    rest = 1.0 - share[:, None]
    return np.asarray(1.0 - np.sqrt(rest / (rest + m * share[:, None])))


def whiten(rows: Array, theta: Array, means: Array) -> Array:
    """Apply the transformation to values (S, n) or designs (S, n, p)."""
    if rows.ndim == 2:
        return rows - theta * (rows @ means.T)
    return np.asarray(rows - theta[..., None] * (means @ rows))


def effective_captures(share: Array, day: np.ndarray) -> Array:
    """Return the number (S,) of independent captures that those of `day` amount to.

    The usual design effect 1 + (m - 1) share of a day with m captures (Kish 1965).
    """
    m = day_sizes(day)[None, :]
    return np.asarray(np.sum(1.0 / (1.0 + (m - 1.0) * share[:, None]), axis=1))


def repeatability_sd(values: Array, cell: np.ndarray, counts: np.ndarray) -> Array:
    """Return the repeatability standard deviation (S,) of ISO 5725-2 from repeats in one cell.

    Parameters
    ----------
    values : ndarray, shape (S, n)
    cell : ndarray, shape (n,)
        Label of day, record side and chain: captures with one label repeat each other.
    counts : ndarray of bool, shape (S, n)
        False leaves a capture out (odd or missing).

    Returns
    -------
    ndarray
        NaN where nothing was repeated.
    """
    same = (cell[:, None] == cell[None, :]).astype(float)
    used = counts.astype(float)
    kept = np.where(counts, values, 0.0)
    size = used @ same
    mean = (kept @ same) / np.maximum(size, 1.0)
    squares = np.sum(np.where(counts, (values - mean) ** 2, 0.0), axis=1)
    cells = np.sum(np.where(size > 0.0, used / np.maximum(size, 1.0), 0.0), axis=1)
    repeats = np.round(used.sum(axis=1) - cells)
    return np.where(repeats > 0.0, np.sqrt(squares / np.maximum(repeats, 1.0)), np.nan)
