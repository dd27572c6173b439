"""Scatter that grows or shrinks over hours or date, judged from all figures of a stylus together.

A worn tip, a drier belt: figures may scatter more in late captures than in early ones. Weighing all
days alike then takes chance for a trend, and late captures for odd ones. How far a day scatters is
the mean size of its standardised residuals over all figures; a straight line through these means
over the hours, or over the date, is how that changes (Glejser 1969). Sizes, unlike squares, hardly
mind heavy tails (Levene 1960). Whether the line rises or falls by more than chance is read from
permuted days, as figures of one day may be correlated. Where it does not, every day counts alike.
A common step and one day that is off in all figures are no change of scatter.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift import serial
from grooveledger.interpret.drift.days import ROUNDING, Array
from grooveledger.interpret.drift.least_squares import residuals
from grooveledger.interpret.drift.serial import Correlation, Sample

#: Days that all scatter alike are taken for days that don't in this share of pages.
SPREAD_ALARMS = 0.01
#: Residuals of fewer degrees of freedom have a pattern of their own.
DEGREES_AT_LEAST = 3
#: No day scatters less than this part of the usual.
LEAST_SPREAD = 0.1
#: A fit that leaves less than this part of a day's scatter hides it.
LEAST_LEFT = 1e-3
#: Times that the line is fitted, with the weights that the last one gives.
ROUNDS = 5


class Spread(NamedTuple):
    """Scatter of a day relative to the usual one, a straight line over the hours or the date."""

    constant: float = 1.0
    slope: float = 0.0
    by_date: bool = False

    def at(self, hours: Array, date: Array) -> Array:
        """Return the relative scatter at these hours or dates; 1 where the date is unknown."""
        relative = self.constant + self.slope * (date if self.by_date else hours)
        return np.maximum(np.where(np.isnan(relative), 1.0, relative), LEAST_SPREAD)


class Scatter(NamedTuple):
    """How the days of a stylus scatter: how far each, and how far neighbours are alike."""

    spread: Spread
    correlation: Correlation

    def white(self, rows: Array, hours: Array, date: Array) -> Array:
        """Return rows (d, k) of days as independent ones of equal scatter."""
        relative = self.spread.at(hours, date)[:, None]
        return serial.whiten(rows / relative, self.correlation.steps(hours, date))


class Days(NamedTuple):
    """The D days of a stylus: when, the mean size of what a day's figures scatter, their number."""

    hours: Array
    date: Array
    size: Array
    figures: Array

    def clock(self, by_date: bool) -> Array:
        """Return the hours or the dates."""
        return self.date if by_date else self.hours


def estimate(
    samples: Sequence[Sample],
    places: Sequence[np.ndarray],
    correlation: Correlation,
    keys: Array,
) -> Spread:
    """Return how the scatter of all figures of a stylus goes with the hours.

    Parameters
    ----------
    samples : sequence of Sample
    places : sequence of ndarray of int, shape (d,)
        Which of the stylus's D days each day of a sample is.
    correlation : Correlation
        It is taken out first: days that are alike scatter alike.
    keys : ndarray, shape (B, D)
        Their order is a permutation of the days.

    Returns
    -------
    Spread
        1 throughout where no change shows.
    """
    alike = Spread()
    count = keys.shape[1]
    wide = [_with_step(sample, correlation) for sample in samples]
    furthest = int(np.argmax(_days(wide, places, correlation, alike, count).size))
    pairs = zip(wide, places, strict=True)
    wide = [_without(sample, place == furthest) for sample, place in pairs]
    days = _days(wide, places, correlation, alike, count)
    known = days.figures > 0.0
    if np.sum(known) <= DEGREES_AT_LEAST:
        return alike
    by_date = _clock(days, np.argsort(keys[:, known], axis=1))
    if by_date is None:
        return alike
    found = alike._replace(by_date=by_date)
    for _ in range(ROUNDS):
        found = _line(_days(wide, places, correlation, found, count), found)
    return found


def even(sample: Sample, spread: Spread) -> Sample:
    """Return a sample whose days scatter alike."""
    relative = spread.at(sample.hours, sample.date)
    return sample._replace(
        design=sample.design / relative[:, None], values=sample.values / relative
    )


def _with_step(sample: Sample, correlation: Correlation) -> Sample:
    """Return a sample whose design holds what `serial` allows for: a step is no scatter."""
    gaps = correlation.gaps(sample.hours, sample.date)
    return sample._replace(design=serial.allowed(sample, gaps)[0])


def _without(sample: Sample, day: np.ndarray) -> Sample:
    """Return a sample whose design meets one day (d,), whatever its figures are."""
    if not day.any():
        return sample
    return sample._replace(design=np.column_stack([sample.design, day.astype(float)]))


def _days(
    samples: Sequence[Sample],
    places: Sequence[np.ndarray],
    correlation: Correlation,
    spread: Spread,
    count: int,
) -> Days:
    """Return the mean size of each day's standardised residuals, by the weights of a spread."""
    hours, date, total, figures = np.zeros((4, count))
    for sample, place in zip(samples, places, strict=True):
        size, moving = _sizes(sample, correlation, spread)
        hours[place], date[place] = sample.hours, sample.date
        total[place] += size
        figures[place] += moving
    return Days(hours, date, total / np.maximum(figures, 1.0), figures)


def _sizes(sample: Sample, correlation: Correlation, spread: Spread) -> tuple[Array, float]:
    """Return the summed sizes (d,) of the figures' standardised residuals, and the figures' number.

    Each figure counts in its own scatter, each residual as large as a day's own scatter makes it
    (divided by what the fit leaves of it).
    """
    relative = spread.at(sample.hours, sample.date)
    scatter = Scatter(spread, correlation)
    design = scatter.white(sample.design, sample.hours, sample.date)
    basis = np.linalg.qr(design)[0]
    free = len(design) - design.shape[1]
    rest = residuals(scatter.white(sample.values.T, sample.hours, sample.date).T, basis)
    each = np.sqrt(np.mean(rest**2, axis=1, keepdims=True))
    moving = each[:, 0] > 0.0
    if free < DEGREES_AT_LEAST or not moving.any():
        return np.zeros(len(design)), 0.0
    left = np.sqrt(np.maximum(1.0 - np.sum(basis**2, axis=1), 0.0))
    sizes = np.sum(np.abs(rest[moving]) / each[moving], axis=0)
    # A day that the fit meets whatever it is says nothing of its scatter: it counts as usual.
    usual = np.sum(sizes) / np.sum(left)
    shows = left > LEAST_LEFT
    scattered = np.where(shows, sizes / np.where(shows, left, 1.0), usual)
    return relative * scattered, float(moving.sum())


def _clock(days: Days, orders: np.ndarray) -> bool | None:
    """Return whether scatter changes by date (True) or hours (False); None where by chance alone.

    Parameters
    ----------
    days : Days
    orders : ndarray of int, shape (B, k)
        Permutations of the k days with figures.
    """
    known = days.figures > 0.0
    size, weight = days.size[known], days.figures[known]
    if np.ptp(size) <= ROUNDING * np.max(size):
        return None
    every = np.vstack([np.arange(len(size)), orders])
    shares = weight[every]
    moved = (weight * (size - np.average(size, weights=weight)))[every]
    clocks = [days.clock(by_date)[known] for by_date in (False, True)]
    scores = np.stack([_slopes(shares, moved, clock) for clock in clocks])
    largest = scores.max(axis=0)
    above = int(np.sum(largest[1:] >= largest[0] * (1.0 - 1e-12)))
    if (1.0 + above) / (1.0 + len(orders)) >= SPREAD_ALARMS:
        return None
    return bool(scores[1, 0] > scores[0, 0] * (1.0 + 1e-9))


def _slopes(shares: Array, moved: Array, clock: Array) -> Array:
    """Return the size of the slope of permuted days over a clock, up to their common scatter.

    `moved` are the sizes less their mean, by weight; shapes (B, k) as `shares`, their weights.
    """
    if not np.all(np.isfinite(clock)) or np.ptp(clock) <= 0.0:
        return np.zeros(len(shares))
    since = (clock - clock.mean()) / np.ptp(clock)
    total = np.sum(shares, axis=1)
    reach = shares @ since**2 - (shares @ since) ** 2 / total
    return np.asarray(np.abs(moved @ since) / np.sqrt(reach))


def _line(days: Days, found: Spread) -> Spread:
    """Return the line through the days' sizes, weighed by the last line; its mean square is 1."""
    clock = days.clock(found.by_date)
    root = np.sqrt(days.figures) / found.at(days.hours, days.date)
    design = np.column_stack([np.ones(len(root)), clock])
    constant, slope = np.linalg.lstsq(design * root[:, None], days.size * root, rcond=None)[0]
    usual = float(np.average(constant + slope * clock, weights=days.figures))
    if usual <= 0.0:
        return found
    line = found._replace(constant=float(constant / usual), slope=float(slope / usual))
    each = line.at(days.hours, days.date)
    size = float(np.sqrt(np.average(each**2, weights=days.figures)))
    return found._replace(constant=line.constant / size, slope=line.slope / size)
