"""How far figures scatter from one playing to the next, pooled over the archive's own repeats.

Repeats are captures of one stylus made on one day, of the same record side and copy on the same
chain. Their scatter holds the noise and the platter's momentary speed, which each figure's budget
has already: what is left beyond those is the repeatability proper (set-down, temperature, dust).
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from grooveledger.measure.declaration import Metric

#: Columns that repeats share, besides the calendar day.
SAME = ("stylus", "record", "side", "copy", "chain")
#: Components of a budget that differ from one repeat to the next by themselves.
VARYING = ("u_noise", "u_speed")


class Repeatability(NamedTuple):
    """Standard deviation of repeats beyond noise and speed.

    Attributes
    ----------
    sd : float
        In the metric's unit, or as a fraction of the figure where the metric `is_proportional`.
    scatter : float
        Standard deviation of repeats with noise and speed in it, alike; NaN for a default.
    degrees_of_freedom : float
        Of both; infinite for a default, which is a stated value. Channels and tracks of one capture
        count as the number of independent ones that they amount to.
    source : str
        repeats or default.
    """

    sd: float
    scatter: float
    degrees_of_freedom: float
    source: str


class Rest(NamedTuple):
    """What one figure of a group of repeats is off the group's mean.

    Attributes
    ----------
    series : object
        Its channel and track, which sort.
    capture : str
    value : float
        In the metric's unit, or as a fraction.
    """

    series: Any
    capture: str
    value: float


def playing_scatter(budgets: Mapping[str, Any]) -> np.ndarray:
    """Return how far each figure scatters from one playing to the next, NaN where unknown.

    Parameters
    ----------
    budgets : mapping
        Columns of the table `budgets`: repeatability, noise and momentary speed together.
    """
    own = np.asarray(budgets["repeatability"], dtype=float)
    varying = sum(np.nan_to_num(np.asarray(budgets[name], dtype=float)) ** 2 for name in VARYING)
    return np.sqrt(own**2 + varying)


def repeats(
    rows: Mapping[str, np.ndarray], metrics: Mapping[str, Metric]
) -> dict[str, Repeatability]:
    """Pool the scatter of same-day repeats of every metric over the archive.

    Parameters
    ----------
    rows : mapping
        Columns of the metrics of all captures, the sheet's cells and the budget's components among
        them. Bounds and missing figures are passed over.
    metrics : mapping
        The declared metrics by name.

    Returns
    -------
    dict
        By metric. The variances of all groups of repeats, each with one less than its number as
        degrees of freedom, are averaged by their degrees (JCGM 100, 4.2.4, note). Channels share
        one figure. A metric without repeats has its declared default (common practice).
    """
    stated = ~rows["limited"].astype(bool) & np.isfinite(rows["value"])
    stated &= np.array([at is not None and at == at for at in rows["captured_at"]], dtype=bool)
    groups: dict[tuple[Any, ...], list[int]] = {}
    for i in np.flatnonzero(stated):
        day = str(rows["captured_at"][i])[:10]
        same = tuple(rows[name][i] for name in SAME)
        place = (rows["metric"][i], rows["channel"][i], rows["track_position"][i])
        groups.setdefault((*place, day, *same), []).append(int(i))
    squares: dict[str, list[tuple[float, float, int]]] = {}
    rests: dict[str, list[Rest]] = {}
    for place, members in groups.items():
        if len(members) < 2:
            continue
        at = np.array(members)
        scale = _scale(rows["value"][at], metrics[place[0]])
        variance = float(np.var(rows["value"][at] / scale, ddof=1))
        known = sum(np.nan_to_num(rows[name][at]) ** 2 for name in VARYING) / scale**2
        squares.setdefault(place[0], []).append((variance, float(np.mean(known)), len(at) - 1))
        away = (rows["value"][at] - np.mean(rows["value"][at])) / scale
        captures = [str(name) for name in rows["capture"][at]]
        rests.setdefault(place[0], []).extend(
            Rest(place[1:3], capture, float(rest))
            for capture, rest in zip(captures, away, strict=True)
        )
    return {
        name: _pooled(squares[name], independent_share(rests[name]))
        if name in squares
        else Repeatability(metric.usual_repeatability, np.nan, np.inf, "default")
        for name, metric in metrics.items()
    }


def _scale(values: np.ndarray, metric: Metric) -> float:
    """Return what repeats are divided by: their mean where scatter goes with the figure, else 1."""
    mean = abs(float(np.mean(values)))
    return mean if metric.is_proportional and mean > 0.0 else 1.0


def independent_share(rests: Sequence[Rest]) -> float:
    """Return the share of independent evidence in the channels and tracks of the same captures.

    M series with the correlations r amount to M^2 over the sum of r^2 independent ones.

    Examples
    --------
    Two channels that always differ alike count as one:

    >>> rests = [Rest(c, n, x) for c in "LR" for n, x in (("a", 0.1), ("b", -0.1))]
    >>> round(independent_share(rests), 6)
    0.5
    """
    series = sorted({rest.series for rest in rests})
    captures = sorted({rest.capture for rest in rests})
    away = np.zeros((len(series), len(captures)))
    for rest in rests:
        away[series.index(rest.series), captures.index(rest.capture)] = rest.value
    size = np.sqrt(np.sum(away**2, axis=1, keepdims=True))
    moving = size[:, 0] > 0.0
    if not moving.any():
        return 1.0 / len(series)
    unit = away[moving] / size[moving]
    return float(np.sum(moving) ** 2 / np.sum((unit @ unit.T) ** 2) / len(series))


def _pooled(squares: list[tuple[float, float, int]], share: float) -> Repeatability:
    variances, known, degrees = np.array(squares, dtype=float).T
    total = float(np.average(variances, weights=degrees))
    beyond = max(0.0, total - float(np.average(known, weights=degrees)))
    return Repeatability(
        float(np.sqrt(beyond)), float(np.sqrt(total)), float(share * degrees.sum()), "repeats"
    )
