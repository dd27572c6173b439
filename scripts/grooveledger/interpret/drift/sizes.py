"""The least change of each figure that is worth a word, however sure it is."""

from collections.abc import Mapping

import numpy as np

from grooveledger.measure.quantities import METRICS


def least_change(metric: str, value: float, given: Mapping[str, float | None]) -> float:
    """Return the least change worth reporting, in the metric's unit: as its metric declares.

    Parameters
    ----------
    metric : str
    value : float
        The figure itself, which a share counts from.
    given : mapping
        The configuration's own least changes in the metric's unit; null for none.
    """
    if metric in given:
        return given[metric] or 0.0
    if metric not in METRICS:
        return 0.0
    declared = METRICS[metric]
    return max(declared.least_change, declared.least_share * abs(float(np.nan_to_num(value))))
