"""Captures that do not fit their stylus, and those that fit another one.

One test a capture: the probability of the figure furthest from what all other days predict, times
the number of figures (Bonferroni), so that a page of many figures calls no more captures odd than a
page of one.
"""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np

from grooveledger.interpret.drift import least_squares, sizes
from grooveledger.interpret.drift.days import Array
from grooveledger.interpret.drift.fits import (
    CONSTANT,
    HOURS,
    SLOPE_HOURS,
    STEP_ALARMS,
    Page,
    Tested,
)
from grooveledger.interpret.drift.history import History
from grooveledger.interpret.drift.settings import Settings
from grooveledger.schemas.interpret import ODD_CAPTURES
from grooveledger.vocabulary import metric_words, words

#: Probability that a page without odd captures names one.
ODD_ALARMS = 0.04
#: An odd day's largest score stands out from those of the other days by this factor, beyond the
#: share of them that is named: a page whose figures scatter widely now and then is no page of odd
#: captures (our own simulation, scripts/studies/drift_study.py).
STANDS_OUT, USUAL_SHARE = 1.3, 0.9
#: Of a page of several figures two at least must be odd: figures scatter widely now and then by
#: themselves, each in its own capture (our own simulation, scripts/studies/drift_study.py).
SEVERAL_FIGURES, FIGURES_AT_LEAST = 4, 2
#: A capture fits another stylus where this many figures agree, with a mean square deviation of at
#: most this many variances, and its own misfit is at least this many times larger.
FIGURES_THAT_AGREE = 4
MEAN_SQUARE_AT_MOST = 2.5
TIMES_BETTER = 6.0

Row = dict[str, object]


class Deviations(NamedTuple):
    """Deviations of the days of one group from what all other days predict, shapes (S, d)."""

    tested: Tested
    deviation: Array
    sd: Array
    degrees: Array
    weighed: Array


def deviations(tested: Tested) -> Deviations | None:
    """Return how far each day lies from a bent line through all others; None for too few days."""
    fitted = tested.fitted
    design = fitted.bent()
    days, held = design.shape
    basis = np.linalg.qr(design)[0]
    leverage = np.minimum(np.sum(basis**2, axis=1), 1.0)
    degrees = days - held - 1 - fitted.n_odd
    if days - held - 1 < 2:
        return None
    degrees = np.maximum(degrees, 1.0)
    rest = least_squares.residuals(fitted.values, basis)
    free = np.maximum(1.0 - leverage, 1e-6)
    total = np.sum(rest**2, axis=1, keepdims=True)
    left = np.maximum(total - rest**2 / free, np.finfo(float).eps * total)
    # Scatter that lasts from day to day is larger than what it leaves about the line.
    lasting = (tested.fit.scatter_sd[:, None] ** 2) * degrees[:, None]
    sd = np.sqrt(np.maximum(left, lasting * np.any(tested.steps)) / degrees[:, None] / free)
    away = rest / free + fitted.away
    clear = (tested.p_change >= STEP_ALARMS)[:, None] & (free > 1e-3)
    return Deviations(tested, np.where(clear, away, 0.0), sd, degrees, clear)


def usual_score(groups: list[Deviations], history: History, without: str | None = None) -> float:
    """Return the normal score that the furthest figure of a usual day reaches.

    Parameters
    ----------
    groups : list of Deviations
        All groups of the stylus.
    history : History
    without : str, optional
        Label of a day that is left out.
    """
    largest: dict[str, float] = {}
    for group in groups:
        scores = day_scores(group).max(axis=0)
        used = history.day[group.tested.fitted.group.used]
        for day, score in enumerate(scores):
            label = str(used[np.argmax(group.tested.fitted.means[day] > 0.0)])
            largest[label] = max(largest.get(label, 0.0), float(score))
    largest.pop(without or "", None)
    return float(np.quantile(list(largest.values()), USUAL_SHARE)) if largest else 0.0


def day_scores(group: Deviations) -> Array:
    """Return the deviations (S, d) as normal scores."""
    ratio = group.deviation / np.where(group.sd > 0.0, group.sd, 1.0)
    ratio = np.where(group.sd > 0.0, ratio, 0.0)
    return least_squares.normal_score(ratio**2, group.degrees[:, None])


def odd_captures(
    histories: list[History], pages: Mapping[str, Page], settings: Settings
) -> Iterator[Row]:
    """Yield a row of the table `odd_captures` for each capture that does not fit its stylus."""
    by_name = {history.stylus: history for history in histories}
    for history in histories:
        found = [deviations(tested) for tested in pages[history.stylus].tested]
        groups = [group for group in found if group is not None]
        yield from _of_stylus(history, groups, by_name, pages, settings)


def _of_stylus(
    history: History,
    groups: list[Deviations],
    by_name: Mapping[str, History],
    pages: Mapping[str, Page],
    settings: Settings,
) -> Iterator[Row]:
    figures = sum(len(group.deviation) for group in groups)
    days = len(np.unique(history.day))
    usual = STANDS_OUT * usual_score(groups, history)
    odd: dict[int, list[tuple[float, str, str, str, float, float]]] = {}
    for group in groups:
        sd = np.maximum(group.sd, _repeated_sd(group, history))
        ratio = np.where(sd > 0.0, group.deviation / np.where(sd > 0.0, sd, 1.0), 0.0)
        p = least_squares.two_sided_p(ratio, group.degrees[:, None]) * figures * days
        used = np.flatnonzero(group.tested.fitted.group.used)
        for i, day in zip(*np.nonzero((p < ODD_ALARMS) & (day_scores(group) > usual)), strict=True):
            s = group.tested.fitted.group.members[i]
            metric, channel, unit = history.series[s]
            level = float(np.median(group.tested.fitted.values[i]))
            least = sizes.least_change(metric, level, settings.least_changes)
            away = float(group.deviation[i, day])
            if abs(away) < max(least, np.finfo(float).tiny):
                continue
            for capture in used[group.tested.fitted.means[day] > 0.0]:
                entry = (float(p[i, day]), metric, channel, unit, away, float(ratio[i, day]))
                odd.setdefault(int(capture), []).append(entry)
    for capture in sorted(odd):
        if len(odd[capture]) < enough(figures):
            continue
        worst = min(odd[capture])
        other = _fits(history, capture, by_name, pages)
        name = str(history.capture[capture])
        yield {
            "stylus": history.stylus,
            "capture": name,
            "stylus_hours": float(history.conditions.hours[capture]),
            "captured_at": str(history.captured_at[capture]),
            "n_figures": len(odd[capture]),
            "p_odd": min(1.0, worst[0]),
            "metric": worst[1],
            "channel": worst[2],
            "unit": worst[3],
            "deviation": worst[4],
            "fits_stylus": other,
            "sentence": _sentence(name, worst, len(odd[capture]), other),
        }


def enough(figures: int) -> int:
    """Return how many figures of a page of so many must be odd."""
    return FIGURES_AT_LEAST if figures >= SEVERAL_FIGURES else 1


def _repeated_sd(group: Deviations, history: History) -> Array:
    """Return how far a day's mean scatters by repeatability alone, shape (S, d); 0 if unknown."""
    fitted = group.tested.fitted
    known = np.nan_to_num(history.scatter[list(fitted.group.members)])
    return np.asarray(known[:, None] / np.sqrt(np.sum(fitted.means > 0.0, axis=1)))


def _sentence(
    capture: str, worst: tuple[float, str, str, str, float, float], count: int, other: str | None
) -> str:
    if other is not None:
        return (
            f"Capture {capture} does not fit this stylus, but stylus {other}: check the sheet's "
            "`stylus`."
        )
    _, metric, channel, unit, away, _ = worst
    side = f", {channel}" if channel in ("left", "right") else ""
    more = f", and {count - 1} more figure{'s' if count > 2 else ''}" if count > 1 else ""
    size = words.with_unit(abs(away), unit)
    way = "above" if away > 0.0 else "below"
    return (
        f"Capture {capture} is odd: {metric_words.metric_within(metric)}{side} lies {size} {way} "
        f"what the other days predict{more}."
    )


def _fits(
    history: History, capture: int, by_name: Mapping[str, History], pages: Mapping[str, Page]
) -> str | None:
    """Return the stylus that a capture fits instead of its own; None where there is none."""
    own = _misfit(history, history, pages[history.stylus], capture)
    best: tuple[float, str] | None = None
    for name, other in by_name.items():
        if name == history.stylus:
            continue
        found = _misfit(history, other, pages[name], capture)
        if found is None or own is None or found > MEAN_SQUARE_AT_MOST:
            continue
        if own > TIMES_BETTER * max(found, 1.0) and (best is None or found < best[0]):
            best = (found, name)
    return None if best is None else best[1]


def _misfit(history: History, other: History, page: Page, capture: int) -> float | None:
    """Return the mean squared deviation, in variances, of a capture from a stylus's lines."""
    conditions, known = history.conditions, other.conditions
    same = conditions.record[capture] == known.record[-1]
    if not same or conditions.chain[capture] != known.chain[-1]:
        return None
    if other is history:
        at = float(conditions.hours[capture])
    else:
        dated = np.isfinite(other.date)
        if not np.isfinite(history.date[capture]) or not dated.any():
            return None
        order = np.argsort(other.date[dated], kind="stable")
        at = float(
            np.interp(history.date[capture], other.date[dated][order], known.hours[dated][order])
        )
    place = {key[:2]: s for s, key in enumerate(history.series)}
    squares = []
    for tested in page.tested:
        fit = tested.fit
        since = (at - tested.fitted.origin_hours) / SLOPE_HOURS
        centre = fit.coefficients[:, CONSTANT] + fit.coefficients[:, HOURS] * since
        for i, s in enumerate(tested.fitted.group.members):
            own = place.get(other.series[s][:2])
            if own is None or not np.isfinite(history.values[own, capture]):
                continue
            if fit.scatter_sd[i] > 0.0:
                squares.append((history.values[own, capture] - centre[i]) / fit.scatter_sd[i])
    if len(squares) < FIGURES_THAT_AGREE:
        return None
    return float(np.mean(np.square(squares)))


def odd_table(rows: list[Row]) -> dict[str, list[object]]:
    """Return the columns of the table `odd_captures`."""
    return {name: [row[name] for row in rows] for name in ODD_CAPTURES.names}
