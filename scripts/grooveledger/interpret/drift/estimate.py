"""One group of series of a stylus, measured by the same captures, fitted together."""

from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift import robust, sessions, steps
from grooveledger.interpret.drift.covariates import MINIMUM_DEGREES
from grooveledger.interpret.drift.robust import Array

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
    without_step : SeriesFit or None
        The fit without the step, where the step may be chance: neither can be refused.
    shared : float
        Part of the variance that captures of one day share.
    """

    coefficients: Array
    covariance: Array
    degrees_of_freedom: float
    scatter_sd: float
    weights: Array
    step_index: int
    shared: float
    without_step: "SeriesFit | None" = None

    @property
    def possible(self) -> "tuple[SeriesFit, ...]":
        """The fit itself, and the one without its step where neither can be refused."""
        return (self,) if self.without_step is None else (self, self.without_step)


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


def fit_designs(
    hours: Array, day: np.ndarray, base: Array, values: Array, find_steps: bool = True
) -> list[SeriesFit]:
    """Fit S series to a design (n, p); steps are sought only where hours rise."""
    count = len(values)
    design = np.broadcast_to(base, (count, *base.shape))
    start = robust.least_absolute_deviations(design, values)
    residuals = values - start @ base.T
    means = sessions.day_means(day)
    share = sessions.shared_part(residuals, day, base.shape[1], means)
    theta = sessions.transform_weights(share, day)
    white_design = sessions.whiten(design, theta, means)
    white_values = sessions.whiten(values, theta, means)
    white_residuals = sessions.whiten(residuals, theta, means)
    scale = robust.start_scale(white_residuals, base.shape[1])
    places, doubtful = np.full(count, -1), np.zeros(count, dtype=bool)
    for s in range(count if find_steps else 0):
        places[s], doubtful[s] = _step(
            hours, white_design[s], white_values[s], white_residuals[s], scale[s], theta[s], means
        )
    effective = sessions.effective_captures(share, day)

    def fit(chosen: np.ndarray, columns: Array, with_step: bool) -> dict[int, SeriesFit]:
        found = robust.robust_fit(
            columns,
            white_values[chosen],
            effective[chosen],
            None if with_step else start[chosen],
        )
        return {
            s: SeriesFit(
                found.coefficients[i],
                found.covariance[i],
                float(found.degrees_of_freedom[i]),
                float(found.scale[i] / np.sqrt(1.0 - share[s])),
                found.weights[i],
                int(places[s]) if with_step else -1,
                float(share[s]),
            )
            for i, s in enumerate(chosen.tolist())
        }

    plain = np.flatnonzero((places < 0) | doubtful)
    fits = fit(plain, white_design[plain], False) if len(plain) else {}
    stepped = np.flatnonzero(places >= 0)
    if len(stepped):
        after = (np.arange(len(hours))[None, :] >= places[stepped, None]).astype(float)
        column = sessions.whiten(after, theta[stepped], means)[..., None]
        columns = np.concatenate([white_design[stepped], column], axis=2)
        for s, with_step in fit(stepped, columns, True).items():
            fits[s] = with_step._replace(without_step=fits.get(s))
    return [fits[s] for s in range(count)]


def _step(
    hours: Array,
    design: Array,
    values: Array,
    residuals: Array,
    scale: float,
    theta: Array,
    means: Array,
) -> tuple[int, bool]:
    """Return the first capture after a step, -1 where there is none, and whether it is in doubt."""
    kept = ~steps.isolated_odd(residuals, scale)
    places = steps.candidate_steps(hours, kept)
    columns = design.shape[1]
    captures = int(np.sum(kept))
    if not len(places) or captures - columns - 1 < MINIMUM_DEGREES:
        return -1, False
    after = (np.arange(len(hours))[:, None] >= places[None, :]).astype(float)
    # Column k of the days' means of steps is the sum of the means' columns from k on.
    after_means = np.cumsum(means[:, ::-1], axis=1)[:, ::-1][:, places]
    candidates = after - theta[:, None] * after_means
    place, t = steps.largest_step(design[kept], values[kept], candidates[kept], places)
    if t <= steps.critical_t(captures, columns):
        return -1, False
    return place, t <= steps.critical_t(captures, columns, steps.CLEAR_T)
