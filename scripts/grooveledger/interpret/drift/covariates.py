"""What else could move a figure, and whether captures can separate it from the stylus's hours."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift.days import Array
from grooveledger.measure.declaration import EVERYTHING, Covariate
from grooveledger.measure.quantities import METRICS

CHAIN, RECORD = Covariate.CHAIN, Covariate.RECORD
TEMPERATURE, RECORD_PLAYS = Covariate.TEMPERATURE, Covariate.RECORD_PLAYS
#: In this order covariates enter a model: what was certainly changed before what may act.
ORDER = (CHAIN, RECORD, TEMPERATURE, RECORD_PLAYS)

#: Thermometers differ by this much; a smaller range is no change of temperature (common practice).
TEMPERATURE_RESOLUTION_C = 0.5
#: Captures without a temperature are taken at the median, if they are no more than this share.
MISSING_TEMPERATURES = 0.25
#: A fit keeps at least this many degrees of freedom for its scatter.
MINIMUM_DEGREES = 4
#: A column whose part outside the others is below this share is their combination.
RANK_TOLERANCE = 1e-8


class CaptureConditions(NamedTuple):
    """Under what each of n captures of one stylus was made, in the order of its hours.

    Attributes
    ----------
    hours, plays, temperature_c : ndarray of float, shape (n,)
        NaN where unknown (not hours).
    record, chain : ndarray of str, shape (n,)
        Record, side and copy in one label; the chain's id.
    """

    hours: Array
    plays: Array
    temperature_c: Array
    record: np.ndarray
    chain: np.ndarray

    def take(self, rows: np.ndarray) -> "CaptureConditions":
        """Return the conditions of some of the captures."""
        return CaptureConditions(*(column[rows] for column in self))


class Model(NamedTuple):
    """The columns beside a constant and the hours that a fit holds.

    Attributes
    ----------
    columns : ndarray, shape (n, k)
        Temperatures relative to their median, plays in hundreds relative to the fewest, chain and
        record as 0 or 1 relative to those of the newest capture.
    names : tuple of str
        The covariate behind each column.
    confounded : tuple of str
        Covariates that vary and may act, but can't be separated from the hours.
    """

    columns: Array
    names: tuple[str, ...]
    confounded: tuple[str, ...]


def plausible(metric: str) -> frozenset[Covariate]:
    """Return the covariates that may act on a metric; any may act on one that nobody declares."""
    return METRICS[metric].covariates if metric in METRICS else EVERYTHING


def variance_inflation(column: Array, others: Array) -> float:
    """Return the variance inflation factor of a column beside others (Marquardt 1970).

    Parameters
    ----------
    column : ndarray, shape (n,)
    others : ndarray, shape (n, k)
        A constant among them.

    Returns
    -------
    float
        1 / (1 - R^2); infinity where the others make up the column.
    """
    centred = column - column.mean()
    basis, _ = np.linalg.qr(others)
    rest = column - basis @ (basis.T @ column)
    total, left = float(centred @ centred), float(rest @ rest)
    # What rounding leaves of a column that does not vary is no column.
    if total <= RANK_TOLERANCE**2 * float(column @ column):
        return float("inf")
    return total / left if left > RANK_TOLERANCE * total and left > 0.0 else float("inf")


def covariate_columns(name: str, conditions: CaptureConditions) -> Array:
    """Return the columns (n, k) of one covariate; k = 0 where it does not vary."""
    nothing = np.zeros((len(conditions.hours), 0))
    if name == RECORD_PLAYS:
        plays = conditions.plays
        if np.any(np.isnan(plays)) or np.ptp(plays) == 0.0:
            return nothing
        return np.asarray((plays - plays.min()) / 100.0)[:, None]
    if name == TEMPERATURE:
        known = ~np.isnan(conditions.temperature_c)
        if np.mean(known) < 1.0 - MISSING_TEMPERATURES:
            return nothing
        relative = conditions.temperature_c - np.median(conditions.temperature_c[known])
        relative = np.where(known, relative, 0.0)
        return relative[:, None] if np.ptp(relative) >= TEMPERATURE_RESOLUTION_C else nothing
    labels = conditions.chain if name == CHAIN else conditions.record
    others = [label for label in sorted(set(labels)) if label != labels[-1]]
    if not others:
        return nothing
    return np.stack([(labels == label).astype(float) for label in others], axis=1)


def choose_model(
    conditions: CaptureConditions,
    candidates: frozenset[str],
    inflation_limit: float,
    base: Array | None = None,
    means: Array | None = None,
) -> Model:
    """Choose the covariates that the captures can separate from the hours.

    Each of `ORDER` enters that varies, may act, leaves `MINIMUM_DEGREES` and keeps the variance
    inflation of the hours within the limit; one that does not is confounded. A covariate that is a
    combination of those already in acts through them and is neither. `base` are the columns that
    the model holds anyway beside the hours, by default a constant; `means` (d, n) averages captures
    over their days, by default none.
    """
    average = np.eye(len(conditions.hours)) if means is None else means
    hours = average @ conditions.hours
    n = len(hours)
    columns = np.ones((n, 1)) if base is None else base
    fixed = columns.shape[1]
    names: list[str] = []
    confounded: list[str] = []
    for name in ORDER:
        if name not in candidates:
            continue
        new = _independent(average @ covariate_columns(name, conditions), columns)
        if not new.shape[1]:
            continue
        wider = np.hstack([columns, new])
        if (
            n - wider.shape[1] - 1 < MINIMUM_DEGREES
            or variance_inflation(hours, wider) > inflation_limit
        ):
            confounded.append(name)
        else:
            columns = wider
            names += [name] * new.shape[1]
    return Model(columns[:, fixed:], tuple(names), tuple(sorted(confounded)))


def _independent(new: Array, others: Array) -> Array:
    """Return those of the new columns that no combination of the others and each other gives."""
    kept: list[Array] = []
    for column in new.T:
        beside = np.column_stack([others, *kept])
        if beside.shape[0] > beside.shape[1] and np.isfinite(variance_inflation(column, beside)):
            kept.append(column)
    return np.column_stack(kept) if kept else np.zeros((len(others), 0))


def named(text: str | None) -> tuple[Covariate, ...]:
    """Return the covariates that a `confounded_with` names."""
    return tuple(Covariate(name) for name in text.split(", ")) if text else ()


def confounded_text(names: Sequence[str]) -> str | None:
    """Return the names as the table holds them; None where nothing is confounded."""
    return ", ".join(names) if names else None
