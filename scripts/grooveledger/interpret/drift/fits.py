"""All figures of one stylus, fitted and tested as one family."""

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from grooveledger.interpret.drift import covariates, days, least_squares, serial, spread, steps
from grooveledger.interpret.drift.covariates import MINIMUM_DEGREES, RECORD_PLAYS, Model
from grooveledger.interpret.drift.days import Array
from grooveledger.interpret.drift.history import FigureGroup, History, groups
from grooveledger.interpret.drift.least_squares import Fit
from grooveledger.interpret.drift.serial import Correlation
from grooveledger.interpret.drift.settings import Settings
from grooveledger.interpret.drift.spread import Scatter, Spread

#: Slopes are stated per this many hours.
SLOPE_HOURS = 100.0
#: Columns of every design.
CONSTANT, HOURS = 0, 1
#: A page may say of this share of styli that do not wear that something moves: trends, sudden
#: changes and settling together.
TREND_ALARMS, STEP_ALARMS, SETTLING_ALARMS = 0.035, 0.012, 0.008
#: Permutations of the days.
PERMUTATIONS = 999
#: Hours that captures must span before a trend is stated: a twentieth of 400 h, the earliest at
#: which limits of wear commonly lie (common practice).
MINIMUM_SPAN_HOURS = 20.0
#: Days that are alike in time must amount to this many independent ones before anything is said of
#: a trend or a step (our own simulation, scripts/studies/drift_study.py).
EFFECTIVE_DAYS = 4.0
#: A baseline is read at the end of the break-in if it lies within this share of the observed hours
#: before the first capture; else at the first capture.
BASELINE_REACH = 0.25
#: Ends of the break-in that are tried after the configured one, as multiples of it.
LONGER_BREAK_INS = (1.5, 2.0, 3.0, 4.0)
#: Settling dies away within about half the usual break-in (common practice: it is over after 30 h).
SETTLING_HOURS = 12.0
#: Days wanted within two such times before settling can be seen.
SETTLING_DAYS = 3


@dataclass(frozen=True)
class Fitted:
    """Figures that the same captures measured and the same covariates may move.

    Attributes
    ----------
    group : FigureGroup
    hours, date : ndarray, shape (d,)
        Of each day.
    design : ndarray, shape (d, p)
        Constant, hours in hundreds from the baseline, covariates.
    model : Model
        The covariates.
    values : ndarray, shape (S, d)
        Odd days drawn to their neighbours.
    away : ndarray, shape (S, d)
        By how much they were drawn.
    n_odd : ndarray, shape (S,)
    origin_hours : float
        Where the constant is the figure's value.
    """

    group: FigureGroup
    means: Array
    hours: Array
    date: Array
    design: Array
    model: Model
    values: Array
    away: Array
    n_odd: Array
    origin_hours: float

    @property
    def since(self) -> Array:
        """Hours from the first day in shares of the span, 0 to 1."""
        return (self.hours - self.hours[0]) / max(float(np.ptp(self.hours)), 1e-9)

    def bent(self) -> Array:
        """Return the design with a bend, the square of the hours, where it can be estimated."""
        wider = np.column_stack([self.design, self.since**2])
        return wider if np.linalg.matrix_rank(wider) == wider.shape[1] else self.design


@dataclass(frozen=True)
class Tested:
    """What the tests of one group say; arrays of its S figures.

    `p_together` is that of a trend without the record's plays in the model, NaN where the model
    does not hold them.
    """

    fitted: Fitted
    scatter: Scatter
    fit: Fit
    p_trend: Array
    p_adjusted: Array
    p_together: Array
    p_change: Array
    change_place: np.ndarray
    p_curved: Array

    def white(self, rows: Array) -> Array:
        """Return columns (d, k) of days as independent ones of equal scatter."""
        return self.scatter.white(rows, self.fitted.hours, self.fitted.date)

    @property
    def white_values(self) -> Array:
        """Return the values (S, d) of days as independent ones of equal scatter."""
        return self.white(self.fitted.values.T).T


@dataclass(frozen=True)
class Page:
    """All groups of a stylus that can be fitted, and where its break-in ended."""

    tested: tuple[Tested, ...]
    settled_hours: float
    settled_later: bool
    figures: int


def analyse(history: History, settings: Settings) -> Page:
    """Fit and test all figures of one stylus."""
    configured = history.settled_hours(settings.break_in_hours)
    settled = configured
    fitted = _prepared(history, settings, settled)
    correlation = serial.estimate(_samples(fitted))
    for longer in LONGER_BREAK_INS:
        if not fitted or not _still_settling(history, fitted, correlation, settled):
            break
        rest = _prepared(history, settings, longer * configured)
        if not rest:
            break
        settled, fitted = longer * configured, rest
        correlation = serial.estimate(_samples(fitted))
    # What still settles would look like scatter that shrinks: that is judged once it is left out.
    found = spread.estimate(
        _samples(fitted),
        [_places(history, group) for group in fitted],
        correlation,
        _keys(history, "spread"),
    )
    if found != Spread():
        fitted = [_drawn_again(group, found) for group in fitted]
        correlation = serial.estimate(spread.even(one, found) for one in _samples(fitted))
    scatter = Scatter(found, correlation)
    tested = tuple(_tested(history, fitted, scatter))
    figures = sum(len(group.values) for group in fitted)
    return Page(tested, settled, settled > configured, figures)


def _prepared(history: History, settings: Settings, settled: float) -> list[Fitted]:
    found = (prepare(history, group, settings, settled) for group in groups(history, settled))
    return [group for group in found if group is not None]


def prepare(
    history: History, group: FigureGroup, settings: Settings, settled_hours: float
) -> Fitted | None:
    """Average a group over its days and choose its model; None where no trend can be fitted."""
    conditions = history.conditions.take(group.used)
    if not len(conditions.hours):
        return None
    means = days.averaging(history.day[group.used], conditions.hours)
    hours = means @ conditions.hours
    if len(hours) < settings.minimum_captures or np.ptp(hours) < MINIMUM_SPAN_HOURS:
        return None
    model = covariates.choose_model(
        conditions, group.candidates, settings.variance_inflation_limit, means=means
    )
    reach = BASELINE_REACH * float(np.ptp(hours))
    origin = settled_hours if hours[0] - settled_hours <= reach else float(hours[0])
    relative = (hours - origin) / SLOPE_HOURS
    design = np.column_stack([np.ones(len(hours)), relative, model.columns])
    values = history.values[list(group.members)][:, group.used] @ means.T
    away = days.odd_deviations(values, design)
    n_odd = np.sum(away != 0.0, axis=1).astype(float)
    date = means @ history.date[group.used]
    return Fitted(group, means, hours, date, design, model, values - away, away, n_odd, origin)


def _samples(fitted: list[Fitted]) -> list[serial.Sample]:
    """Return what scatter is judged from: a bend must not pass for it."""
    return [serial.Sample(group.bent(), group.values, group.hours, group.date) for group in fitted]


def _drawn_again(group: Fitted, found: Spread) -> Fitted:
    """Return a group whose odd days are odd by what their own days scatter."""
    relative = found.at(group.hours, group.date)
    raw = group.values + group.away
    away = relative * days.odd_deviations(raw / relative, group.design / relative[:, None])
    n_odd = np.sum(away != 0.0, axis=1).astype(float)
    return replace(group, values=raw - away, away=away, n_odd=n_odd)


def _keys(history: History, seed: str) -> Array:
    """Return numbers whose order permutes the stylus's days; the same for every run."""
    random = np.random.default_rng(zlib.crc32(f"{seed} {history.stylus}".encode()))
    return random.random((PERMUTATIONS, len(np.unique(history.day))))


def _places(history: History, group: Fitted) -> np.ndarray:
    """Return which of the stylus's days each day of a group is."""
    first = np.argmax(group.means > 0.0, axis=1)
    return np.searchsorted(np.unique(history.day), history.day[group.group.used][first])


def _orders(history: History, fitted: list[Fitted], seed: str) -> list[np.ndarray]:
    """Return permutations of each group's days, alike in all groups."""
    keys = _keys(history, seed)
    return [np.argsort(keys[:, _places(history, group)], axis=1) for group in fitted]


def _still_settling(
    history: History, fitted: list[Fitted], correlation: Correlation, settled: float
) -> bool:
    """Return whether any figure still settles: a decay beside a line, a root and a square."""
    scores, largest = [np.zeros(0)], np.zeros(PERMUTATIONS)
    for group, orders in zip(fitted, _orders(history, fitted, "settling"), strict=True):
        since = group.hours - settled
        early = np.sum(since < 2.0 * SETTLING_HOURS)
        if early < SETTLING_DAYS or len(since) - early < SETTLING_DAYS:
            continue
        wear = np.column_stack([group.design, np.sqrt(group.since), group.since**2])
        if len(since) - wear.shape[1] - 1 < MINIMUM_DEGREES:
            continue
        white = correlation.steps(group.hours, group.date)
        basis = np.linalg.qr(serial.whiten(wear, white))[0]
        decay = serial.whiten(np.exp(-since / SETTLING_HOURS)[:, None], white)[:, 0]
        values = serial.whiten(group.values.T, white).T
        own, permuted = least_squares.column_scores(basis, decay, values, orders, group.n_odd)
        scores.append(own)
        largest = np.maximum(largest, permuted.max(axis=0))
    every = np.concatenate(scores)
    if not len(every):
        return False
    return bool(least_squares.page_probability(every, largest).min() < SETTLING_ALARMS)


def _tested(history: History, fitted: list[Fitted], scatter: Scatter) -> Iterator[Tested]:
    orders = _orders(history, fitted, "trend")
    trends, bends = np.zeros(PERMUTATIONS), np.zeros(PERMUTATIONS)
    jumps = np.zeros(min(steps.PERMUTATIONS, PERMUTATIONS))
    raw = []
    for group, order in zip(fitted, orders, strict=True):
        days_of = group.hours, group.date
        design = scatter.white(group.design, *days_of)
        values = scatter.white(group.values.T, *days_of).T
        others = np.delete(design, HOURS, axis=1)
        trend = _column(others, design[:, HOURS], values, order, group)
        trends = np.maximum(trends, trend[1].max(axis=0))
        together = np.full(len(values), np.nan)
        if RECORD_PLAYS in group.model.names:
            kept = [i for i, name in enumerate(group.model.names) if name != RECORD_PLAYS]
            without = others[:, [CONSTANT, *(1 + i for i in kept)]]
            alone = _column(without, design[:, HOURS], values, order, group)
            trends = np.maximum(trends, alone[1].max(axis=0))
            together = alone[0]
        bent = group.bent()
        bend = (np.zeros(len(values)), np.zeros((len(values), PERMUTATIONS)))
        if bent.shape[1] > design.shape[1]:
            square = scatter.white(bent[:, -1:], *days_of)[:, 0]
            bend = _column(design, square, values, order, group)
        bends = np.maximum(bends, bend[1].max(axis=0))
        first_after = steps.places(group.hours)
        after = (np.arange(len(group.hours))[:, None] >= first_after).astype(float)
        jump = None
        if len(first_after):
            jump = steps.scores(
                scatter.white(bent, *days_of),
                scatter.white(after, *days_of),
                first_after,
                values,
                order,
                group.n_odd,
            )
        if jump is not None:
            jumps = np.maximum(jumps, jump.permuted.max(axis=0))
        raw.append((group, design, values, trend[0], together, bend[0], jump))
    for group, design, values, trend_score, together, bend_score, jump in raw:
        fit = least_squares.fit(design, values, group.n_odd)
        error = fit.error(HOURS)
        ratio = fit.coefficients[:, HOURS] / np.where(error > 0.0, error, 1.0)
        count = len(values)
        yield Tested(
            group,
            scatter,
            fit,
            np.where(trend_score > 0.0, least_squares.two_sided_p(ratio, fit.degrees), 1.0),
            least_squares.page_probability(trend_score, trends),
            np.where(
                np.isnan(together),
                np.nan,
                least_squares.page_probability(np.nan_to_num(together), trends),
            ),
            np.ones(count) if jump is None else least_squares.page_probability(jump.scores, jumps),
            np.full(count, -1) if jump is None else jump.place,
            least_squares.page_probability(bend_score, bends),
        )


def _column(
    others: Array, column: Array, values: Array, order: np.ndarray, group: Fitted
) -> tuple[Array, Array]:
    basis = np.linalg.qr(others)[0]
    return least_squares.column_scores(basis, column, values, order, group.n_odd)
