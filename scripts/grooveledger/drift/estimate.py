"""One group of series of a stylus, measured by the same captures, fitted together."""

from typing import NamedTuple

import numpy as np

from grooveledger.drift import robust, sessions, steps
from grooveledger.drift.covariates import MINIMUM_DEGREES
from grooveledger.drift.robust import Array

#: Slopes are told per so many hours.
SLOPE_HOURS = 100.0
#: Columns of every design.
CONSTANT, HOURS = 0, 1


class SeriesFit(NamedTuple):
    """The fit of one series.

    Attributes
    ----------
    coefficients, covariance : ndarray, shapes (p,) and (p, p)
        Constant, slope per 100 h, the covariates, and the step last, where there is one.
    degrees_of_freedom : float
    scatter_sd : float
        About the fit, odd captures apart.
    weights : ndarray, shape (n,)
        0 for a capture left out as odd.
    step_index : int
        First capture after the step; -1 where none was found.
    step_t : float
        The step's t ratio.
    shared : float
        Part of the variance that captures of one day share.
    """

    coefficients: Array
    covariance: Array
    degrees_of_freedom: float
    scatter_sd: float
    weights: Array
    step_index: int
    step_t: float
    shared: float


def fit_series(
    hours: Array, day: np.ndarray, covariates: Array, values: Array, origin_hours: float
) -> list[SeriesFit]:
    """Fit S series of the same n captures.

    Parameters
    ----------
    hours : ndarray, shape (n,)
        Rising.
    day : ndarray, shape (n,)
        Label of each capture's day.
    covariates : ndarray, shape (n, k)
    values : ndarray, shape (S, n)
        Finite.
    origin_hours : float
        Where the constant is the figure's value.
    """
    base = np.column_stack([np.ones(len(hours)), (hours - origin_hours) / SLOPE_HOURS, covariates])
    return fit_designs(hours, day, base, values)


def fit_designs(hours: Array, day: np.ndarray, base: Array, values: Array) -> list[SeriesFit]:
    """Fit S series to a design (n, p) whose first columns are a constant and the hours."""
    count = len(values)
    design = np.broadcast_to(base, (count, *base.shape))
    start = robust.least_absolute_deviations(design, values)
    residuals = values - start @ base.T
    share = sessions.shared_part(residuals, day, base.shape[1])
    theta = sessions.transform_weights(share, day)
    means = sessions.day_means(day)
    white_design = sessions.whiten(design, theta, means)
    white_values = sessions.whiten(values, theta, means)
    white_residuals = sessions.whiten(residuals, theta, means)
    scale = robust.start_scale(white_residuals, base.shape[1])
    step_index = np.full(count, -1)
    step_t = np.zeros(count)
    for s in range(count):
        step_index[s], step_t[s] = _step(
            hours, white_design[s], white_values[s], white_residuals[s], scale[s], theta[s], means
        )
    effective = sessions.effective_captures(share, day)
    fits: list[SeriesFit | None] = [None] * count
    for stepped in (False, True):
        chosen = np.flatnonzero((step_index >= 0) == stepped)
        if not len(chosen):
            continue
        columns = white_design[chosen]
        if stepped:
            after = (np.arange(len(hours))[None, :] >= step_index[chosen, None]).astype(float)
            white = sessions.whiten(after, theta[chosen], means)
            columns = np.concatenate([columns, white[..., None]], axis=2)
        fit = robust.robust_fit(columns, white_values[chosen], effective[chosen])
        for i, s in enumerate(chosen):
            fits[s] = SeriesFit(
                fit.coefficients[i],
                fit.covariance[i],
                float(fit.degrees_of_freedom[i]),
                float(fit.scale[i] / np.sqrt(1.0 - share[s])),
                fit.weights[i],
                int(step_index[s]),
                float(step_t[s]),
                float(share[s]),
            )
    return [fit for fit in fits if fit is not None]


def _step(
    hours: Array,
    design: Array,
    values: Array,
    residuals: Array,
    scale: float,
    theta: Array,
    means: Array,
) -> tuple[int, float]:
    """Return the first capture after a step and its t ratio; -1 and the t where none is found."""
    kept = ~steps.isolated_odd(residuals, scale)
    places = steps.candidate_steps(hours, kept)
    if not len(places) or np.sum(kept) - design.shape[1] - 1 < MINIMUM_DEGREES:
        return -1, 0.0
    after = (np.arange(len(hours))[:, None] >= places[None, :]).astype(float)
    columns = after - theta[:, None] * (means @ after)
    place, t = steps.largest_step(design[kept], values[kept], columns[kept], places)
    found = t > steps.critical_t(int(np.sum(kept)), design.shape[1])
    return (place, t) if found else (-1, t)
