"""Captures that fit another stylus, record, side or copy better than the one they are booked on.

A capture is compared with its neighbours in hours that were played in the same place: with those of
its own place in the sheet, and with those of every other place that it may belong to.
"""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift import days
from grooveledger.interpret.drift.days import Array
from grooveledger.interpret.drift.fits import HOURS, SLOPE_HOURS, Fitted, Page
from grooveledger.interpret.drift.history import History

#: Neighbours in hours that a capture is compared with, at most and at least.
NEIGHBOURS, NEIGHBOURS_AT_LEAST = 5, 3
#: Variance of a median of k normal values: pi / 2 of that of their mean.
MEDIAN_VARIANCE = np.pi / 2.0
#: A capture fits a place where this many figures agree, with a mean square deviation of at most
#: this many variances, and its own misfit is at least this many times larger.
FIGURES_THAT_AGREE = 4
MEAN_SQUARE_AT_MOST = 2.5
TIMES_BETTER = 6.0


class Place(NamedTuple):
    """Where a capture was made: stylus, and record, side and copy in one label."""

    stylus: str
    record: str


class Misfit(NamedTuple):
    """How far k figures of a capture lie from its neighbours of one place.

    Attributes
    ----------
    series : ndarray of int, shape (k,)
        Of the capture's own history.
    deviation, sd, degrees : ndarray, shape (k,)
    """

    series: np.ndarray
    deviation: Array
    sd: Array
    degrees: Array

    @property
    def mean_square(self) -> float:
        """Mean squared deviation in variances."""
        return float(np.mean((self.deviation / self.sd) ** 2))


def better_place(
    history: History, capture: int, by_name: Mapping[str, History], pages: Mapping[str, Page]
) -> Place | None:
    """Return the place that a capture fits instead of its own; None where there is none."""
    own = misfit(history, capture, history, pages[history.stylus])
    if own is None:
        return None
    best: tuple[float, Place] | None = None
    for place in _others(history, capture, by_name):
        other = by_name[place.stylus]
        found = misfit(history, capture, other, pages[place.stylus], place.record)
        if found is None or found.mean_square > MEAN_SQUARE_AT_MOST:
            continue
        better = own.mean_square > TIMES_BETTER * max(found.mean_square, 1.0)
        if better and (best is None or found.mean_square < best[0]):
            best = (found.mean_square, place)
    return None if best is None else best[1]


def _others(history: History, capture: int, by_name: Mapping[str, History]) -> Iterator[Place]:
    """Yield the same record with other styli, and other records with the same stylus."""
    record = str(history.conditions.record[capture])
    for name in by_name:
        if name != history.stylus:
            yield Place(name, record)
    for label in sorted(set(history.conditions.record.tolist()) - {record}):
        yield Place(history.stylus, label)


def misfit(
    history: History, capture: int, other: History, page: Page, record: str | None = None
) -> Misfit | None:
    """Compare a capture with its neighbours on a record of a stylus; None where it has too few.

    Parameters
    ----------
    history : History
        That the capture is booked on.
    capture : int
        Its place in the history.
    other : History
        The stylus that it is compared with, which may be its own.
    page : Page
        The fits of `other`.
    record : str, optional
        Label of the record; by default that of the capture.
    """
    at = _hours(history, capture, other)
    if at is None:
        return None
    wanted = history.conditions.record[capture] if record is None else record
    known = other.conditions
    alike = (known.record == wanted) & (known.chain == history.conditions.chain[capture])
    if other is history:
        alike &= np.arange(len(alike)) != capture
    place = {key[:2]: s for s, key in enumerate(history.series)}
    parts: list[tuple[int, float, float, float]] = []
    for tested in page.tested:
        group = tested.fitted
        near = np.flatnonzero(alike & group.group.used)
        near = near[np.argsort(np.abs(known.hours[near] - at), kind="stable")][:NEIGHBOURS]
        if len(near) < NEIGHBOURS_AT_LEAST:
            continue
        members = list(group.group.members)
        since = (known.hours[near] - at) / SLOPE_HOURS
        moved = other.values[members][:, near] - tested.fit.coefficients[:, [HOURS]] * since
        centre = np.median(moved, axis=1)
        own_day = str(history.day[capture]) if other is history else None
        relative = tested.scatter.spread.at(np.array([at]), history.date[[capture]])
        sd = single_capture_sd(other, group, tested.fit.scatter_sd, relative, own_day)[:, 0]
        sd = sd * np.sqrt(1.0 + MEDIAN_VARIANCE / len(near))
        for i, s in enumerate(members):
            own = place.get(other.series[s][:2])
            if own is None or not np.isfinite(history.values[own, capture]) or sd[i] <= 0.0:
                continue
            away = float(history.values[own, capture] - centre[i])
            parts.append((own, away, float(sd[i]), float(tested.fit.degrees[i])))
    if len(parts) < FIGURES_THAT_AGREE:
        return None
    series, deviation, sds, degrees = map(np.array, zip(*parts, strict=True))
    return Misfit(series, deviation, sds, degrees)


def _hours(history: History, capture: int, other: History) -> float | None:
    """Return the hours that another stylus had when a capture was made; None where unknown."""
    if other is history:
        return float(history.conditions.hours[capture])
    dated = np.isfinite(other.date)
    if not np.isfinite(history.date[capture]) or not dated.any():
        return None
    order = np.argsort(other.date[dated], kind="stable")
    known = other.conditions.hours[dated][order]
    return float(np.interp(history.date[capture], other.date[dated][order], known))


def single_capture_sd(
    history: History,
    group: Fitted,
    scatter_sd: Array,
    relative: Array,
    without: str | None = None,
) -> Array:
    """Return how far each of k captures scatters, shape (S, k), from the scatter (S,) of day means.

    `relative` (k,) is how far each scatters beside the usual.

    A day of several captures scatters less than a single capture does; no capture scatters less
    than the archive's repeats. The day `without` says nothing of itself.
    """
    members, used = list(group.group.members), group.group.used
    kept = used & (history.day != (without or ""))
    values = history.values[members][:, kept]
    repeat = np.nan_to_num(days.within_days(values, history.day[kept], history.played[kept])[1])
    fewer = 1.0 - float(np.mean(1.0 / np.sum(group.means > 0.0, axis=1)))
    known = np.nan_to_num(history.scatter[members])
    usual = np.sqrt(scatter_sd**2 + fewer * repeat**2)
    return np.maximum(usual[:, None] * relative, known[:, None])


def on_mixed_days(history: History) -> np.ndarray:
    """Return the captures of days on which several records were played.

    Two of them that are exchanged leave the mean of their day as it is.
    """
    record, day = history.conditions.record, history.day
    mixed = [label for label in np.unique(day) if len(set(record[day == label].tolist())) > 1]
    return np.flatnonzero(np.isin(day, mixed))
