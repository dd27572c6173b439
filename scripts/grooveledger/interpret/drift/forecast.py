"""When a limit is met, by every way of wearing that the captures leave possible.

Wear may go evenly, quicken or slow down: the figure moves with a power of the hours since the
baseline. Every power that fits almost as well as the best remains possible, and the hours at the
limit are those of all of them, each by Fieller's theorem (1954). Where they disagree beyond twice
the hours observed, that is said instead of a number.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift import least_squares, limits
from grooveledger.interpret.drift.days import Array
from grooveledger.interpret.drift.fits import CONSTANT, HOURS, SLOPE_HOURS, Tested

#: Powers of the hours that are weighed; 1 is even wear.
POWERS = (0.3, 0.4, 0.5, 0.6, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.3, 2.6, 3.0)
#: A power is possible where twice the log-likelihood falls by no more than this from the best: the
#: 95 % point of chi squared with one degree of freedom.
POWER_DROP = 3.84
#: A figure is known to be bent where chance alone would bend it this much in fewer cases than this.
CURVED_P = 0.05
#: No hours are stated beyond this many times the newest capture's.
FURTHEST = 2.0
#: Nor is anything calculated beyond this many times the observed span.
FURTHEST_SPANS = 1e6


class Forecast(NamedTuple):
    """Hours at which a limit is met; NaN where unknown, or too far off to be predicted."""

    limit: limits.Limit
    at: float
    low: float
    high: float


class Power(NamedTuple):
    """One power and its fit of all figures."""

    power: float
    fit: least_squares.Fit
    left: Array


def powers(tested: Tested) -> list[Power]:
    """Fit every power of the hours to all figures of a group."""
    fitted = tested.fitted
    span = max(float(fitted.hours[-1] - fitted.origin_hours), 1e-9)
    since = np.maximum(fitted.hours - fitted.origin_hours, 0.0) / span
    values = tested.white_values
    found = []
    for power in POWERS:
        design = fitted.design.copy()
        design[:, HOURS] = since**power
        white = tested.white(design)
        fit = least_squares.fit(white, values, fitted.n_odd)
        left = np.sum((values - fit.coefficients @ white.T) ** 2, axis=1)
        found.append(Power(power, fit, left))
    return found


def meet(limit: limits.Limit, found: Sequence[Power], figure: int, tested: Tested) -> Forecast:
    """Return when one figure meets a limit, by all powers that remain possible."""
    fitted = tested.fitted
    left = np.array([power.left[figure] for power in found])
    floor = np.finfo(float).eps * float(np.sum(fitted.values[figure] ** 2)) + 1e-300
    left = np.maximum(left, floor)
    drop = (len(fitted.hours) - fitted.n_odd[figure]) * np.log(left / left.min())
    even = next(i for i, power in enumerate(found) if power.power == 1.0)
    if not tested.p_curved[figure] < CURVED_P:
        # The line that the page draws and states the slope of stays possible, and central, unless
        # it is known to be bent: the likelihood takes several captures of a day for several days.
        drop[even] = 0.0
    central = even if drop[even] <= POWER_DROP else int(np.argmin(drop))
    ats, lows, highs = [], [], []
    span = max(float(fitted.hours[-1] - fitted.origin_hours), 1e-9)
    for i, (power, fit, _) in enumerate(found):
        if drop[i] > POWER_DROP:
            continue
        crossing = limits.crossing(
            limit,
            fit.coefficients[figure][[CONSTANT, HOURS]],
            fit.covariance(figure)[:2, :2],
            float(least_squares.t_quantile(fit.degrees[figure])),
        )
        at, low, high = (
            other
            if place is None
            else fitted.origin_hours + span * min(place, FURTHEST_SPANS**power) ** (1.0 / power)
            for place, other in zip(crossing, (np.nan, -np.inf, np.inf), strict=True)
        )
        lows.append(low)
        highs.append(high)
        ats.append(at if i == central else np.nan)
    return within_reach(
        limit, float(np.nanmax([*ats, -np.inf])), min(lows), max(highs), float(fitted.hours[-1])
    )


def within_reach(
    limit: limits.Limit, at: float, low: float, high: float, last_hours: float
) -> Forecast:
    """Return a forecast without hours beyond `FURTHEST` times those observed."""
    furthest = FURTHEST * last_hours
    return Forecast(
        limit,
        at if np.isfinite(at) and at <= furthest else np.nan,
        min(low, furthest) if np.isfinite(low) else np.nan,
        high if np.isfinite(high) and high <= furthest else np.nan,
    )


def after_step(
    limit: limits.Limit,
    coefficients: Array,
    covariance: Array,
    degrees: float,
    origin_hours: float,
    between: tuple[float, float],
    last_hours: float,
) -> Forecast:
    """Return when a line with a step meets a limit.

    Parameters
    ----------
    coefficients, covariance : ndarray, shapes (3,) and (3, 3)
        Constant, slope per 100 h, step.
    between : tuple of float
        The captures between which the step lies, in hours: a limit that the step itself meets is
        met between them.
    """
    step_at = (0.5 * sum(between) - origin_hours) / SLOPE_HOURS
    t = float(least_squares.t_quantile(degrees))
    crossing = limits.crossing(limit, coefficients, covariance, t, step_at)
    at, low, high = (
        other if place is None else origin_hours + SLOPE_HOURS * place
        for place, other in zip(crossing, (np.nan, -np.inf, np.inf), strict=True)
    )
    middle = 0.5 * sum(between)
    if np.isclose(low, middle):
        low = between[0]
    if np.isclose(high, middle):
        high = between[1]
    return within_reach(limit, at, low, high, last_hours)
