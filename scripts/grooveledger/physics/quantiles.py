"""Quantiles of arrays that are asked for thousands of times."""

import numpy as np


def quantile(values: np.ndarray, part: float) -> float:
    """Return what numpy.quantile does of one dimension without NaN, without the time of its checks.

    Examples
    --------
    >>> quantile(np.array([3.0, 1.0, 2.0, 10.0]), 0.5)
    2.5
    """
    place = part * (len(values) - 1)
    low = int(place)
    high = min(low + 1, len(values) - 1)
    ordered = np.partition(values, (low, high))
    return float(ordered[low] + (place - low) * (ordered[high] - ordered[low]))
