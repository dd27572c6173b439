"""Record wear told apart from stylus wear with the help of other styli.

One stylus on one record wears both at once. A second stylus of the same cartridge type that met the
record at another ratio of hours to plays tells them apart: all its styli are fitted together with
one wear per hour and one wear per play. That styli of one type wear alike is an assumption, so
their difference is allowed for in every interval.
"""

from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift import covariates, rows
from grooveledger.interpret.drift.covariates import RECORD_PLAYS, TEMPERATURE, Conditions, Model
from grooveledger.interpret.drift.estimate import SLOPE_HOURS, SeriesFit, fit_designs
from grooveledger.interpret.drift.history import History
from grooveledger.interpret.drift.robust import Array
from grooveledger.interpret.drift.rows import BLAME_SIGNIFICANCE, SIGNIFICANCE, Row
from grooveledger.interpret.drift.settings import Settings

#: Styli of one type may differ so much in their wear per hour (standard deviation over mean): an
#: assumption of ours, not a published figure.
SLOPE_VARIATION = 0.3
#: A stylus with fewer captures of a figure says nothing here.
MINIMUM_CAPTURES = 2

Key = tuple[str, str]


class Joint(NamedTuple):
    """One figure of all styli of a cartridge, n captures in all.

    Attributes
    ----------
    owner : ndarray of int, shape (n,)
        Which stylus made each capture.
    conditions : Conditions
    day : ndarray of str, shape (n,)
    values : ndarray, shape (n,)
    own_columns : ndarray, shape (n, k)
        A constant for each stylus, then its step, where it has one.
    step_of : dict
        Column of a stylus's step.
    """

    owner: np.ndarray
    conditions: Conditions
    day: np.ndarray
    values: Array
    own_columns: Array
    step_of: dict[int, int]


def separate_record_wear(
    histories: list[History], tables: dict[str, list[Row]], settings: Settings
) -> None:
    """Fill anew the rows whose record wear the cartridge's other styli tell apart."""
    cartridges: dict[str, list[History]] = {}
    for history in histories:
        cartridges.setdefault(history.cartridge, []).append(history)
    for styli in cartridges.values():
        if len(styli) < 2:
            continue
        by_key = [
            {(row["metric"], row["channel"]): row for row in tables[history.stylus]}
            for history in styli
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
                settings,
            )


def _separate(
    styli: list[History], places: list[int], found: list[Row], settings: Settings
) -> None:
    """Fit one figure of all styli together; fill the rows of those that could not tell alone."""
    doubtful = any(row["change_doubtful"] for row in found)
    fits: list[tuple[Joint, _JointFit]] = []
    for every_step in (True, False) if doubtful else (True,):
        joint = _join(styli, places, found, settings, every_step)
        fit = _fit(joint, found[0]["metric"], settings) if joint is not None else None
        if joint is None or fit is None:
            return
        fits.append((joint, fit))
    joint, fit = fits[0]
    for i, row in enumerate(found):
        if not _needs_partner(row) or not np.any(joint.owner == i):
            continue
        own, *without = (of_stylus(*pair, i, row["baseline_hours"]) for pair in fits)
        if without:
            own = own._replace(without_step=without[0])
        others = sorted(styli[other].stylus for other in np.unique(joint.owner) if other != i)
        hours = joint.conditions.hours[joint.owner == i]
        _refill(row, own, fit.model, hours, settings, ", ".join(others))


def _needs_partner(row: Row) -> bool:
    return RECORD_PLAYS in covariates.named(row["confounded_with"])


def _join(
    styli: list[History],
    places: list[int],
    found: list[Row],
    settings: Settings,
    every_step: bool,
) -> Joint | None:
    """Put the captures of all styli together; None where fewer than two have enough.

    Steps that may be chance belong to it only with `every_step`.
    """
    used = [
        np.isfinite(history.values[s]) & history.after_break_in(settings.break_in_hours)
        for history, s in zip(styli, places, strict=True)
    ]
    used = [mask if np.sum(mask) >= MINIMUM_CAPTURES else np.zeros_like(mask) for mask in used]
    counts = np.array([np.sum(mask) for mask in used])
    if np.sum(counts > 0) < 2:
        return None
    owner = np.repeat(np.arange(len(styli)), counts)
    parts = [history.conditions.take(mask) for history, mask in zip(styli, used, strict=True)]
    conditions = Conditions(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))
    present = np.flatnonzero(counts)
    columns = [(owner == i).astype(float) for i in present]
    step_of: dict[int, int] = {}
    for i in present.tolist():
        changed = np.isfinite(found[i]["change_at_hours"])
        if changed and (every_step or not found[i]["change_doubtful"]):
            step_of[i] = len(columns)
            after = conditions.hours > found[i]["change_at_hours"]
            columns.append(((owner == i) & after).astype(float))
    return Joint(
        owner,
        conditions,
        np.concatenate([history.day[mask] for history, mask in zip(styli, used, strict=True)]),
        np.concatenate(
            [history.values[s][mask] for history, s, mask in zip(styli, places, used, strict=True)]
        ),
        np.column_stack(columns),
        step_of,
    )


class _JointFit(NamedTuple):
    """The design of all styli, the covariates in it, and its fit."""

    design: Array
    model: Model
    fit: SeriesFit


def _fit(joint: Joint, metric: str, settings: Settings) -> _JointFit | None:
    """Fit all styli together; None where even so record plays can't be told from the hours."""
    model = covariates.choose_model(
        joint.conditions,
        covariates.plausible(metric),
        settings.variance_inflation_limit,
        joint.own_columns,
    )
    if RECORD_PLAYS not in model.names:
        return None
    hours = joint.conditions.hours / SLOPE_HOURS
    design = np.column_stack([joint.own_columns, hours, model.columns])
    fit = fit_designs(hours, joint.day, design, joint.values[None], find_steps=False)[0]
    return _JointFit(design, model, fit)


def of_stylus(joint: Joint, found: _JointFit, stylus: int, origin_hours: float) -> SeriesFit:
    """Return the joint fit as one stylus's own: constant, slope, temperature, plays, its step.

    The covariance allows for `SLOPE_VARIATION` of each stylus's wear per hour about the common one.
    """
    design, model, fit = found
    own = joint.owner == stylus
    columns = design.shape[1]
    hours_column = joint.own_columns.shape[1]
    named = {name: hours_column + 1 + k for k, name in enumerate(model.names)}
    kept = [name for name in (TEMPERATURE, RECORD_PLAYS) if name in named]
    # The constant: the newest capture's record and chain, usual temperature, fewest plays.
    constant = design[np.flatnonzero(own)[-1]].copy()
    constant[[named[name] for name in kept]] = 0.0
    constant[hours_column] = origin_hours / SLOPE_HOURS
    unit = np.eye(columns)
    picked = [constant, unit[hours_column], *(unit[named[name]] for name in kept)]
    step = joint.step_of.get(stylus)
    if step is not None:
        constant[step] = 0.0
        picked.append(unit[step])
    change = np.array(picked)
    coefficients = change @ fit.coefficients
    covariance = change @ fit.covariance @ change.T
    influence = change @ np.linalg.pinv(design)
    spread = SLOPE_VARIATION * coefficients[1]
    for other in np.unique(joint.owner):
        error = influence @ (design[:, hours_column] * (joint.owner == other))
        if other == stylus:
            error[0] -= origin_hours / SLOPE_HOURS
            error[1] -= 1.0
        covariance = covariance + spread**2 * np.outer(error, error)
    return SeriesFit(
        coefficients,
        covariance,
        fit.degrees_of_freedom,
        fit.scatter_sd,
        fit.weights[own],
        -1 if step is None else int(np.sum(design[own, step] == 0.0)),
        fit.shared,
    )


def _refill(
    row: Row, fit: SeriesFit, model: Model, hours: Array, settings: Settings, others: str
) -> None:
    """Fill a row from the joint fit, unless that leaves open which of the two acts."""
    names = tuple(name for name in (TEMPERATURE, RECORD_PLAYS) if name in model.names)
    wear = 2 + names.index(RECORD_PLAYS)
    acts = rows.column_probability(fit, wear) < BLAME_SIGNIFICANCE
    moved = row["p_trend"] < SIGNIFICANCE
    if moved and not acts and rows.trend_probability(fit) >= BLAME_SIGNIFICANCE:
        return
    row["confounded_with"] = covariates.confounded_text(model.confounded)
    row["p_together"], row["moves_with"] = None, None
    rows.fill_trend(row, fit, hours)
    rows.fill_covariates(row, fit, names)
    rows.fill_limit(row, fit, hours, settings)
    row["separated_by"] = others
