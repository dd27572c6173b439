"""A single sudden change in a figure: a knock, a re-alignment, something changed and not noted.

The largest t ratio of a step at any place beside a line and a bend, so that curved wear is not
taken for one. How large it becomes by chance, over all places and all figures of the page, is read
from permuted days. Where the step lies is an interval between captures: all places that fit almost
as well as the best.
"""

from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift import least_squares
from grooveledger.interpret.drift.days import Array
from grooveledger.interpret.drift.least_squares import (
    LEAST_FREE,
    LEAST_KEPT,
    RANK_TOLERANCE,
    normal_score,
    permuted_degrees,
    residuals,
)

#: Days wanted on each side of a step: one odd day, or two, are no new level.
DAYS_EACH_SIDE = 3
#: Places tried at most, evenly among those possible: bounds the cost of long histories.
PLACES_AT_MOST = 60
#: Permutations tried at most.
PERMUTATIONS = 299
#: A place is possible where twice the log-likelihood falls by no more than this from the best: the
#: 95 % point for the place of a threshold (Hansen 2000, table I).
PLACE_DROP = 7.35


class StepScores(NamedTuple):
    """Scores of the likeliest step of S figures, as they are (S,) and permuted (S, B)."""

    scores: Array
    permuted: Array
    place: np.ndarray


def places(hours: Array) -> np.ndarray:
    """Return the indices of days that could be the first after a step."""
    rising = np.diff(hours, prepend=hours[:1]) > 0.0
    index = np.arange(len(hours))
    inside = (index >= DAYS_EACH_SIDE) & (index <= len(hours) - DAYS_EACH_SIDE)
    found = np.flatnonzero(rising & inside)
    if len(found) > PLACES_AT_MOST:
        found = found[np.linspace(0, len(found) - 1, PLACES_AT_MOST).round().astype(int)]
    return found


def scores(
    design: Array,
    columns: Array,
    first_after: np.ndarray,
    values: Array,
    orders: np.ndarray,
    n_odd: Array,
) -> StepScores | None:
    """Return how strongly the likeliest step of each figure shows; None where none can be detected.

    Parameters
    ----------
    design : ndarray, shape (d, p)
        All that the model holds besides, the bend included.
    columns : ndarray, shape (d, k)
        The candidate steps.
    first_after : ndarray, shape (k,)
        First day after each.
    values, orders, n_odd : ndarray
        As for `least_squares.column_scores`.
    """
    days, held = design.shape
    basis = np.linalg.qr(design)[0]
    rest_of = columns - basis @ (basis.T @ columns)
    size = np.sqrt(np.sum(rest_of**2, axis=0))
    visible = size > np.sqrt(RANK_TOLERANCE) * np.sqrt(np.sum(columns**2, axis=0))
    if not visible.any() or days - held - 1 < 2:
        return None
    units, first_after = rest_of[:, visible] / size[visible], first_after[visible]
    degrees = np.maximum(days - held - 1 - n_odd, 1.0)
    rest = residuals(values, basis)
    best, place = _largest(rest, units, degrees, np.ones((1, len(first_after))), np.ones(1))
    orders = orders[:PERMUTATIONS]
    mixed = rest[:, orders].reshape(-1, days)
    mixed = mixed - (mixed @ basis) @ basis.T
    free, kept = permuted_degrees(basis, units, np.argsort(orders, axis=1))
    permuted = _largest(
        mixed,
        units,
        np.repeat(degrees, len(orders)),
        np.tile(np.maximum(kept, LEAST_KEPT), (len(values), 1)),
        np.tile((days - held - 1) / np.maximum(free - 1.0, LEAST_FREE), len(values)),
    )[0]
    return StepScores(best, permuted.reshape(len(values), len(orders)), first_after[place])


def _largest(
    rest: Array, units: Array, degrees: Array, kept: Array, scale: Array
) -> tuple[Array, np.ndarray]:
    """Return the largest score of each row (R,) and its place.

    What is explained is divided by what is `kept` of each column, what is left multiplied by
    `scale` (`least_squares.permuted_degrees`).
    """
    explained = (rest @ units) ** 2
    place = np.argmax(explained / kept, axis=1)
    gain = explained[np.arange(len(rest)), place]
    left = np.maximum(np.sum(rest**2, axis=1) - gain, np.finfo(float).eps * gain) * scale
    gain = gain / np.broadcast_to(kept, explained.shape)[np.arange(len(rest)), place]
    ratio = np.where(gain > 0.0, gain * degrees / np.where(left > 0.0, left, 1.0), 0.0)
    return normal_score(ratio, degrees), place


def possible_places(
    design: Array, columns: Array, first_after: np.ndarray, values: Array
) -> np.ndarray:
    """Return the places of one figure's step that fit almost as well as the best.

    Parameters
    ----------
    design : ndarray, shape (d, p)
        Without the bend.
    columns, first_after : ndarray
        As for `scores`.
    values : ndarray, shape (d,)
    """
    basis = np.linalg.qr(design)[0]
    rest = residuals(values[None], basis)
    left = np.full(len(first_after), np.inf)
    for k, column in enumerate(columns.T):
        unit = least_squares.outside(column, basis)
        if unit is not None:
            left[k] = float(rest[0] @ rest[0]) - float((rest[0] @ unit) ** 2)
    floor = np.finfo(float).eps * float(rest[0] @ rest[0]) + np.finfo(float).tiny
    left = np.maximum(left, floor)
    drop = len(values) * np.log(left / left.min())
    return first_after[drop <= PLACE_DROP]
