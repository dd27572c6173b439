"""What styli of one cartridge type have in common, lent to each of them.

Partial pooling: a slope known badly is drawn towards the mean of its cartridge's styli, one known
well stays. How much styli differ is itself known badly where they are few, so it is averaged over,
each difference weighted by how well it explains the slopes (Gelman et al., Bayesian Data Analysis,
3rd edition, section 5.4, with its flat prior of the standard deviation).
"""

import numpy as np

from grooveledger.interpret.drift.days import Array
from grooveledger.interpret.drift.least_squares import t_quantile
from grooveledger.interpret.drift.rows import DriftRow

#: Fewer styli say nothing of how styli differ.
MINIMUM_STYLI = 3
#: Differences averaged over: this many, up to this many times the largest that the slopes suggest.
DIFFERENCES = 400
REACH = 5.0
#: The square of a narrower interval is 0 in the arithmetic: nothing scatters, nothing is pooled.
LEAST_INTERVAL = 1e-140


def shrink(slopes: Array, variances: Array) -> tuple[Array, Array]:
    """Return the pooled slopes and their standard deviations.

    Parameters
    ----------
    slopes, variances : ndarray, shape (k,)
        Of k styli; variances above zero.
    """
    largest = REACH * (np.ptp(slopes) + np.sqrt(np.max(variances)))
    between = np.linspace(0.0, largest, DIFFERENCES)[:, None] ** 2
    total = variances[None, :] + between
    precision = np.sum(1.0 / total, axis=1, keepdims=True)
    mean = np.sum(slopes / total, axis=1, keepdims=True) / precision
    misfit = np.sum((slopes - mean) ** 2 / total + np.log(total), axis=1, keepdims=True)
    logarithm = -0.5 * (np.log(precision) + misfit)
    weight = np.exp(logarithm - logarithm.max())
    weight /= weight.sum()
    drawn = variances / total
    means = drawn * mean + (1.0 - drawn) * slopes
    spreads = (1.0 - drawn) * variances + drawn**2 / precision
    pooled = np.sum(weight * means, axis=0)
    return pooled, np.sqrt(np.sum(weight * (spreads + (means - pooled) ** 2), axis=0))


def pool_slopes(rows: list[DriftRow]) -> None:
    """Fill in the pooled slope of every row whose cartridge has styli enough with that figure."""
    groups: dict[tuple[str, str, str], list[DriftRow]] = {}
    for row in rows:
        width = row.slope_high - row.slope_low
        if np.isfinite(row.slope_per_100h) and width > LEAST_INTERVAL:
            key = (row.cartridge, row.metric, row.channel)
            groups.setdefault(key, []).append(row)
    quantile = float(t_quantile(np.inf))
    for group in groups.values():
        if len(group) < MINIMUM_STYLI:
            continue
        slopes = np.array([row.slope_per_100h for row in group])
        # Half the interval over the normal quantile: a short history's t quantile counts as doubt.
        spans = np.array([row.slope_high - row.slope_low for row in group])
        pooled, errors = shrink(slopes, (spans / (2.0 * quantile)) ** 2)
        for row, slope, error in zip(group, pooled, errors, strict=True):
            row.slope_pooled_per_100h = float(slope)
            row.slope_pooled_low = float(slope - quantile * error)
            row.slope_pooled_high = float(slope + quantile * error)
