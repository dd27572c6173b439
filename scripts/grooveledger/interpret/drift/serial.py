"""Days that are alike in time: how far, judged from all figures of a stylus together.

Scatter may last from one day to the next (the room, the cable, the dust of a month). The figures of
a stylus share one correlation that falls off exponentially with the hours or with the date. How
strong it is follows from the restricted likelihood of all of them (Patterson & Thompson 1971), with
no correlation as likely beforehand as any; its mean over what the data leave possible, and part of
its doubt, are used, so that days too few to tell widen the intervals. Correlated figures
count as the number of independent ones that they amount to.
"""

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift.days import Array
from grooveledger.interpret.drift.least_squares import residuals

#: Correlations of two days a usual gap apart that are weighed.
CORRELATIONS = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9])
#: What they count beforehand: none at all is as likely as any.
PRIOR = np.array([0.5] + [0.5 / 9.0] * 9)
#: The correlation used lies above its mean by this part of its standard deviation (our own
#: simulation, scripts/studies/drift_study.py).
ALLOWANCE = 0.85
#: Days wanted on each side of a common step, and the least part of it that the model leaves.
EACH_SIDE, LEAST_OUTSIDE = 2, 1e-6
#: Gaps count as at least and at most this many usual ones.
LEAST_GAP, LARGEST_GAP = 0.25, 8.0


class Sample(NamedTuple):
    """S figures of d days: design (d, p), values (S, d), hours (d,) and date (d,) in days."""

    design: Array
    values: Array
    hours: Array
    date: Array


class Correlation(NamedTuple):
    """Correlation of two days a usual gap apart, and the clock that it lasts by."""

    strength: float
    by_date: bool

    def steps(self, hours: Array, date: Array) -> Array:
        """Return the correlation (d - 1,) of each day with the one before."""
        return self.strength ** self.gaps(hours, date)

    def gaps(self, hours: Array, date: Array) -> Array:
        """Return the gaps (d - 1,) between days in usual ones, by the clock."""
        return relative_gaps(date if self.by_date and np.all(np.isfinite(date)) else hours)

    def effective_days(self, days: int) -> float:
        """Return the number of independent days that this many amount to (Bartlett 1935)."""
        return days * (1.0 - self.strength) / (1.0 + self.strength)


def relative_gaps(clock: Array) -> Array:
    """Return the gaps between neighbours in usual gaps, within `LEAST_GAP` and `LARGEST_GAP`."""
    gaps = np.abs(np.diff(clock))
    known = gaps[gaps > 0.0]
    usual = float(np.median(known)) if len(known) else 1.0
    return np.clip(gaps / usual, LEAST_GAP, LARGEST_GAP)


def whiten(rows: Array, steps: Array) -> Array:
    """Return rows (d, k) less what the day before predicts, with scatter of equal size."""
    if not np.any(steps):
        return rows
    made = rows.copy()
    made[1:] = (rows[1:] - steps[:, None] * rows[:-1]) / np.sqrt(1.0 - steps[:, None] ** 2)
    return made


def estimate(samples: Iterable[Sample]) -> Correlation:
    """Return the correlation that the figures of a stylus share."""
    by_clock = np.zeros((2, len(CORRELATIONS)))
    for sample in samples:
        for by_date in (False, True):
            clock = sample.date if by_date else sample.hours
            clock = clock if np.all(np.isfinite(clock)) else sample.hours
            by_clock[int(by_date)] += allowed(sample, relative_gaps(clock))[1]
    best = int(np.argmax(by_clock.max(axis=1)))
    weight = PRIOR * np.exp(by_clock[best] - by_clock[best].max())
    weight /= np.sum(weight)
    mean = float(np.sum(weight * CORRELATIONS))
    doubt = float(np.sqrt(np.sum(weight * (CORRELATIONS - mean) ** 2)))
    strength = min(mean + ALLOWANCE * doubt, float(CORRELATIONS[-1]))
    return Correlation(strength, bool(best))


def allowed(sample: Sample, gaps: Array) -> tuple[Array, Array]:
    """Return the design, a knock to all figures allowed for, and its restricted log-likelihood.

    The likelihood is that of each of `CORRELATIONS`, for gaps (d - 1,) between the days.
    Where all figures step at one place, their scatter looks like days that are alike. The step is
    allowed for if it explains the figures better by Schwarz's criterion (1978).
    """
    plain, full, independent = _likelihood(sample.design, sample.values, gaps)
    step = _common_step(sample)
    if step is None:
        return sample.design, plain
    wider = np.column_stack([sample.design, step])
    stepped, stepped_full, _ = _likelihood(wider, sample.values, gaps)
    days = len(sample.hours)
    price = 0.5 * independent * np.log(days) + np.log(days)
    better = stepped_full.max() - full.max() > price
    return (wider, stepped) if better else (sample.design, plain)


def _common_step(sample: Sample) -> Array | None:
    """Return the step (d,) that explains most of all figures together; None where there is none."""
    days = len(sample.hours)
    first_after = np.arange(EACH_SIDE, days - EACH_SIDE + 1)
    if not len(first_after) or days - sample.design.shape[1] - 2 < EACH_SIDE:
        return None
    after = (np.arange(days)[:, None] >= first_after).astype(float)
    basis = np.linalg.qr(sample.design)[0]
    rest = residuals(sample.values, basis)
    size = np.sqrt(np.sum(rest**2, axis=1, keepdims=True))
    rest = rest / np.where(size > 0.0, size, 1.0)
    outside = after - basis @ (basis.T @ after)
    length = np.sum(outside**2, axis=0)
    visible = length > LEAST_OUTSIDE
    gain = np.sum((rest @ outside) ** 2, axis=0) / np.where(visible, length, np.inf)
    return after[:, int(np.argmax(gain))] if visible.any() else None


def _likelihood(design: Array, every: Array, gaps: Array) -> tuple[Array, Array, float]:
    """Return the restricted and the full log-likelihood of each of `CORRELATIONS`.

    Both are those of the independent figures that the S amount to; their number comes third.
    """
    days, held = design.shape
    rest = residuals(every, np.linalg.qr(design)[0])
    size = np.sqrt(np.sum(rest**2, axis=1))
    moving = size > 0.0
    restricted, full = np.zeros(len(CORRELATIONS)), np.zeros(len(CORRELATIONS))
    if days - held < 2 or not moving.any():
        return restricted, full, 0.0
    scale = np.sqrt(np.sum((every - every.mean(axis=1, keepdims=True)) ** 2, axis=1))[moving]
    count = int(np.sum(moving))
    for k, strength in enumerate(CORRELATIONS):
        steps = strength**gaps if strength else np.zeros(days - 1)
        white = whiten((rest[moving] / scale[:, None]).T, steps).T
        basis, triangle = np.linalg.qr(whiten(design, steps))
        left = np.sum((white - (white @ basis) @ basis.T) ** 2, axis=1)
        logarithm = np.sum(np.log(np.maximum(left, np.finfo(float).tiny)))
        spread = count * np.sum(np.log1p(-(steps**2)))
        restricted[k] = -0.5 * ((days - held) * logarithm + spread)
        restricted[k] -= count * np.sum(np.log(np.abs(np.diag(triangle))))
        full[k] = -0.5 * (days * logarithm + spread)
    independent = effective_figures(rest[moving] / size[moving, None], days - held)
    share = independent / count
    return restricted * share, full * share, independent


def effective_figures(unit_residuals: Array, degrees: int) -> float:
    """Return the number of independent figures that S correlated ones amount to.

    S^2 over the sum of squared correlations, less what chance adds to that sum with so few degrees
    of freedom.
    """
    count = len(unit_residuals)
    squares = float(np.sum((unit_residuals @ unit_residuals.T) ** 2))
    squares -= count * (count - 1) / max(degrees, 1)
    return float(np.clip(count**2 / max(squares, float(count)), 1.0, count))
