"""How far figures scatter from one playing to the next, pooled over the archive's own repeats.

Repeats are captures of one stylus made on one day, of the same record side and copy on the same
chain. Their scatter holds the noise and the platter's momentary speed, which each figure's budget
has already: what is left beyond those is the repeatability proper (set-down, temperature, dust).
"""

from collections.abc import Mapping
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
        are not independent evidence: each group of repeats counts once.
    source : str
        repeats or default.
    """

    sd: float
    scatter: float
    degrees_of_freedom: float
    source: str


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
    counted: dict[str, dict[tuple[Any, ...], int]] = {}
    for place, members in groups.items():
        if len(members) < 2:
            continue
        at = np.array(members)
        scale = _scale(rows["value"][at], metrics[place[0]])
        variance = float(np.var(rows["value"][at] / scale, ddof=1))
        known = sum(np.nan_to_num(rows[name][at]) ** 2 for name in VARYING) / scale**2
        squares.setdefault(place[0], []).append((variance, float(np.mean(known)), len(at) - 1))
        together = counted.setdefault(place[0], {})
        together[place[3:]] = max(together.get(place[3:], 0), len(at) - 1)
    return {
        name: _pooled(squares[name], sum(counted[name].values()))
        if name in squares
        else Repeatability(metric.usual_repeatability, np.nan, np.inf, "default")
        for name, metric in metrics.items()
    }


def _scale(values: np.ndarray, metric: Metric) -> float:
    """What repeats are divided by: their mean where scatter goes with the figure, else 1."""
    mean = abs(float(np.mean(values)))
    return mean if metric.is_proportional and mean > 0.0 else 1.0


def _pooled(squares: list[tuple[float, float, int]], independent: int) -> Repeatability:
    variances, known, degrees = np.array(squares, dtype=float).T
    total = float(np.average(variances, weights=degrees))
    beyond = max(0.0, total - float(np.average(known, weights=degrees)))
    return Repeatability(
        float(np.sqrt(beyond)), float(np.sqrt(total)), float(independent), "repeats"
    )
