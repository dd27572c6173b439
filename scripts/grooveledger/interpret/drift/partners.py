"""Record wear separated from stylus wear with the help of other styli.

One stylus on one record wears both at once. A second stylus of the same cartridge type that met the
record at another ratio of hours to plays separates them: all its styli are fitted together with
one wear per hour and one wear per play. That styli of one type wear alike is an assumption, so
their difference is allowed for in every interval.
"""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift import covariates, days, least_squares, rows
from grooveledger.interpret.drift.covariates import RECORD_PLAYS, TEMPERATURE, CaptureConditions
from grooveledger.interpret.drift.days import Array
from grooveledger.interpret.drift.fits import SLOPE_HOURS, TREND_ALARMS, Page
from grooveledger.interpret.drift.history import History
from grooveledger.interpret.drift.rows import BLAME_SIGNIFICANCE, DriftRow
from grooveledger.interpret.drift.settings import Settings
from grooveledger.schemas.states import Verdict

#: Styli of one type may differ this much in their wear per hour (standard deviation over mean): an
#: assumption of ours, not a published figure.
SLOPE_VARIATION = 0.3
#: A stylus with fewer captures of a figure says nothing here.
MINIMUM_CAPTURES = 2

Key = tuple[str, str]


class Joint(NamedTuple):
    """One figure of all styli of a cartridge; n captures on d days.

    Attributes
    ----------
    owner : ndarray of int, shape (d,)
        Whose day it is.
    conditions : CaptureConditions
        Of the n captures.
    means : ndarray, shape (d, n)
        Averages captures over their days.
    values : ndarray, shape (d,)
    own_columns : ndarray, shape (d, k)
        A constant for each stylus, then its step, where it has one.
    """

    owner: np.ndarray
    conditions: CaptureConditions
    means: Array
    values: Array
    own_columns: Array


def separate_record_wear(
    histories: list[History],
    pages: Mapping[str, Page],
    tables: dict[str, list[DriftRow]],
    settings: Settings,
) -> None:
    """Refill the rows whose record wear the cartridge's other styli separate."""
    cartridges: dict[str, list[History]] = {}
    for history in histories:
        cartridges.setdefault(history.cartridge, []).append(history)
    for styli in cartridges.values():
        if len(styli) < 2:
            continue
        by_key = [
            {(row.metric, row.channel): row for row in tables[history.stylus]} for history in styli
        ]
        places = [
            {(metric, channel): s for s, (metric, channel, _) in enumerate(history.series)}
            for history in styli
        ]
        confounded = {key for found in by_key for key, row in found.items() if _needs_partner(row)}
        for key in sorted(confounded):
            members = [i for i in range(len(styli)) if key in places[i]]
            _separate(
                [styli[i] for i in members],
                [places[i][key] for i in members],
                [by_key[i][key] for i in members],
                [pages[styli[i].stylus] for i in members],
                settings,
            )


def _needs_partner(row: DriftRow) -> bool:
    return row.verdict != Verdict.TOO_FEW and RECORD_PLAYS in covariates.named(row.confounded_with)


def _separate(
    styli: list[History],
    places: list[int],
    found: list[DriftRow],
    pages: list[Page],
    settings: Settings,
) -> None:
    """Fit one figure of all styli together; refill the rows of those that need it."""
    joint = _join(styli, places, found, pages)
    if joint is None:
        return
    model = covariates.choose_model(
        joint.conditions,
        covariates.plausible(found[0].metric),
        settings.variance_inflation_limit,
        joint.own_columns,
        joint.means,
    )
    if RECORD_PLAYS not in model.names:
        return
    hours = joint.means @ joint.conditions.hours / SLOPE_HOURS
    design = np.column_stack([joint.own_columns, hours, model.columns])
    fit = least_squares.fit(design, joint.values[None], np.zeros(1))
    slope_at = joint.own_columns.shape[1]
    wear_at = slope_at + 1 + model.names.index(RECORD_PLAYS)
    for i, row in enumerate(found):
        if not _needs_partner(row) or not np.any(joint.owner == i):
            continue
        covariance = fit.covariance(0) + _variation(joint, design, slope_at, i, fit)
        slope, wear = (float(fit.coefficients[0, at]) for at in (slope_at, wear_at))
        slope_error, wear_error = (float(np.sqrt(covariance[at, at])) for at in (slope_at, wear_at))
        degrees = float(fit.degrees[0])
        p_trend = float(least_squares.two_sided_p(slope / max(slope_error, 1e-300), degrees))
        p_wear = float(least_squares.two_sided_p(wear / max(wear_error, 1e-300), degrees))
        p_adjusted = min(1.0, pages[i].figures * p_trend)
        moved = row.verdict != Verdict.STEADY
        if moved and p_wear >= BLAME_SIGNIFICANCE and p_adjusted >= TREND_ALARMS:
            continue
        others = sorted(styli[other].stylus for other in np.unique(joint.owner) if other != i)
        reach = float(least_squares.t_quantile(degrees)) * slope_error
        plays = joint.conditions.plays[_captures_of(joint, i)]
        span = (row.hours_last - row.hours_first) / SLOPE_HOURS
        row.confounded_with = covariates.confounded_text(model.confounded)
        row.separated_by = ", ".join(others)
        row.slope_per_100h = slope
        row.slope_low = slope - reach
        row.slope_high = slope + reach
        row.p_trend = p_trend
        row.p_adjusted = p_adjusted
        row.change_observed = slope * span
        row.record_part = wear * float(np.ptp(plays)) / 100.0
        rows.fill_record_wear(row, wear, wear_error, degrees)
        if TEMPERATURE in model.names:
            at = slope_at + 1 + model.names.index(TEMPERATURE)
            row.temperature_per_c = float(fit.coefficients[0, at])
        # The forecast was that of stylus and record together.
        row.hours_at_limit = row.hours_at_limit_low = row.hours_at_limit_high = rows.NULL
        sized = abs(row.change_observed) >= row.least_change
        moves = sized and p_adjusted < TREND_ALARMS
        cause = Verdict.CONFOUNDED if row.confounded_with else Verdict.DRIFTING
        row.verdict = cause if moves else Verdict.STEADY


def _captures_of(joint: Joint, stylus: int) -> np.ndarray:
    return np.any(joint.means[joint.owner == stylus] > 0.0, axis=0)


def _join(
    styli: list[History], places: list[int], found: list[DriftRow], pages: list[Page]
) -> Joint | None:
    """Put the days of all styli together; None where fewer than two have enough."""
    owners, means, parts, values, steps = [], [], [], [], []
    for i, (history, s, row) in enumerate(zip(styli, places, found, strict=True)):
        hours = history.conditions.hours
        used = np.isfinite(history.values[s]) & (hours >= pages[i].settled_hours)
        if np.sum(used) < MINIMUM_CAPTURES:
            continue
        average = days.averaging(history.day[used], hours[used])
        owners.append(np.full(len(average), i))
        means.append(average)
        parts.append(history.conditions.take(used))
        values.append(average @ history.values[s, used])
        changed = np.isfinite(row.change_at_hours)
        after = average @ hours[used] > row.change_at_hours
        steps.append(after.astype(float) if changed else None)
    if len(owners) < 2:
        return None
    owner = np.concatenate(owners)
    columns = [(owner == i).astype(float) for i in np.unique(owner)]
    for part, step in zip(owners, steps, strict=True):
        if step is not None and np.ptp(step) > 0.0:
            column = np.zeros(len(owner))
            column[owner == part[0]] = step
            columns.append(column)
    conditions = CaptureConditions(*(np.concatenate(column) for column in zip(*parts, strict=True)))
    whole = np.zeros((len(owner), len(conditions.hours)))
    row_at = column_at = 0
    for average in means:
        rows_of, columns_of = average.shape
        whole[row_at : row_at + rows_of, column_at : column_at + columns_of] = average
        row_at, column_at = row_at + rows_of, column_at + columns_of
    return Joint(owner, conditions, whole, np.concatenate(values), np.column_stack(columns))


def _variation(
    joint: Joint, design: Array, slope_at: int, stylus: int, fit: least_squares.Fit
) -> Array:
    """Return what `SLOPE_VARIATION` of each stylus's wear adds to the covariance of one."""
    influence = np.linalg.pinv(design)
    spread = SLOPE_VARIATION * float(fit.coefficients[0, slope_at])
    added = np.zeros_like(fit.unscaled)
    for other in np.unique(joint.owner):
        error = influence @ (design[:, slope_at] * (joint.owner == other))
        if other == stylus:
            error[slope_at] -= 1.0
        added += spread**2 * np.outer(error, error)
    return added
