"""What styli of one cartridge type have in common, lent to each of them.

Partial pooling: a slope known badly is drawn towards the mean of its cartridge's styli, one known
well stays (empirical Bayes; Efron & Morris 1975). The variance between styli is that of Paule &
Mandel (1982).
"""

import numpy as np

from grooveledger.drift import robust
from grooveledger.drift.robust import Array
from grooveledger.drift.rows import Row

#: Fewer styli say nothing of how styli differ.
MINIMUM_STYLI = 3
BISECTIONS = 100


def between_variance(slopes: Array, variances: Array) -> float:
    """Return the variance between styli: makes the weighted squares equal their expectation.

    Paule & Mandel (1982): sum (b_i - mean)^2 / (v_i + tau^2) = k - 1; zero where it is less there.
    """

    def excess(between: float) -> float:
        weights = 1.0 / (variances + between)
        mean = np.sum(weights * slopes) / np.sum(weights)
        return float(np.sum(weights * (slopes - mean) ** 2) - (len(slopes) - 1))

    if excess(0.0) <= 0.0:
        return 0.0
    low, high = 0.0, float(np.sum((slopes - slopes.mean()) ** 2))
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) > 0.0 else (low, middle)
    return 0.5 * (low + high)


def shrink(slopes: Array, variances: Array) -> tuple[Array, Array]:
    """Return the pooled slopes and their standard errors.

    Parameters
    ----------
    slopes, variances : ndarray, shape (k,)
        Of k styli; variances above zero.
    """
    between = between_variance(slopes, variances)
    weights = 1.0 / (variances + between)
    mean = np.sum(weights * slopes) / np.sum(weights)
    drawn = variances / (variances + between)
    error = np.sqrt((1.0 - drawn) * variances + drawn**2 / np.sum(weights))
    return drawn * mean + (1.0 - drawn) * slopes, error


def pool_slopes(rows: list[Row]) -> None:
    """Fill in the pooled slope of every row whose cartridge has styli enough with that figure."""
    groups: dict[tuple[str, str, str], list[Row]] = {}
    for row in rows:
        if np.isfinite(row["slope_per_100h"]) and row["slope_high"] > row["slope_low"]:
            key = (row["cartridge"], row["metric"], row["channel"])
            groups.setdefault(key, []).append(row)
    quantile = float(robust.quantile_t(np.inf))
    for group in groups.values():
        if len({row["stylus"] for row in group}) < MINIMUM_STYLI:
            continue
        slopes = np.array([row["slope_per_100h"] for row in group])
        # Half the interval over the normal quantile: a short history's t quantile counts as doubt.
        spans = np.array([row["slope_high"] - row["slope_low"] for row in group])
        pooled, errors = shrink(slopes, (spans / (2.0 * quantile)) ** 2)
        for row, slope, error in zip(group, pooled, errors, strict=True):
            row["slope_pooled_per_100h"] = float(slope)
            row["slope_pooled_low"] = float(slope - quantile * error)
            row["slope_pooled_high"] = float(slope + quantile * error)
