"""Captures that do not fit the rest of their stylus, and the place that they fit instead.

One test a capture: the probability of the figure furthest from what all other days predict, times
the number of figures (Bonferroni), so that a page of many figures calls no more captures odd than a
page of one. Captures of several records on one day are compared one by one as well: two that were
exchanged leave their day as it is.
"""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np
from scipy.special import fdtrc

from grooveledger.interpret.drift import least_squares, misbooked, serial, sizes
from grooveledger.interpret.drift.days import Array
from grooveledger.interpret.drift.fits import STEP_ALARMS, Page, Tested
from grooveledger.interpret.drift.history import History, record_parts
from grooveledger.interpret.drift.misbooked import Place
from grooveledger.interpret.drift.settings import Settings
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

Row = dict[str, object]


class Off(NamedTuple):
    """By how much one figure of a capture is off, in its unit and in standard deviations."""

    p: float
    metric: str
    channel: str
    unit: str
    deviation: float
    ratio: float


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
    relative = tested.scatter.spread.at(fitted.hours, fitted.date)
    design = fitted.bent() / relative[:, None]
    days, held = design.shape
    basis = np.linalg.qr(design)[0]
    leverage = np.minimum(np.sum(basis**2, axis=1), 1.0)
    degrees = days - held - 1 - fitted.n_odd
    if days - held - 1 < 2:
        return None
    degrees = np.maximum(degrees, 1.0)
    rest = least_squares.residuals(fitted.values / relative, basis)
    free = np.maximum(1.0 - leverage, 1e-6)
    total = np.sum(rest**2, axis=1, keepdims=True)
    left = np.maximum(total - rest**2 / free, np.finfo(float).eps * total)
    # Scatter that lasts from day to day is larger than what it leaves about the line.
    lasting = (tested.fit.scatter_sd[:, None] ** 2) * degrees[:, None]
    if tested.scatter.correlation.strength > 0.0:
        left = np.maximum(left, lasting)
    sd = np.sqrt(left / degrees[:, None] / free) * relative
    away = rest / free * relative + fitted.away
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
    by_day = _by_day(history, groups, settings)
    found = {**_by_capture(history, pages[history.stylus], settings), **by_day}
    for capture, every in sorted(found.items()):
        other = misbooked.better_place(history, capture, by_name, pages)
        if other is None and (capture not in by_day or len(every) < enough(figures)):
            continue
        worst = min(every, key=lambda off: (off.p, -off.ratio, off.metric, off.channel))
        name = str(history.capture[capture])
        record = str(history.conditions.record[capture])
        yield {
            "stylus": history.stylus,
            "capture": name,
            "stylus_hours": float(history.conditions.hours[capture]),
            "captured_at": str(history.captured_at[capture]),
            "n_figures": len(every),
            "p_odd": min(1.0, worst.p),
            "metric": worst.metric,
            "channel": worst.channel,
            "unit": worst.unit,
            "deviation": worst.deviation,
            "fits_stylus": other.stylus if other and other.stylus != history.stylus else None,
            "sentence": _sentence(name, worst, len(every), Place(history.stylus, record), other),
            "fits_record": other.record if other and other.record != record else None,
        }


def _by_day(history: History, groups: list[Deviations], settings: Settings) -> dict[int, list[Off]]:
    """Return the figures of captures whose day does not fit all others."""
    figures = sum(len(group.deviation) for group in groups)
    days = len(np.unique(history.day))
    usual = STANDS_OUT * usual_score(groups, history)
    odd: dict[int, list[Off]] = {}
    for group in groups:
        sd = np.maximum(group.sd, _repeated_sd(group, history))
        ratio = np.where(sd > 0.0, group.deviation / np.where(sd > 0.0, sd, 1.0), 0.0)
        p = least_squares.two_sided_p(ratio, group.degrees[:, None]) * figures * days
        used = np.flatnonzero(group.tested.fitted.group.used)
        for i, day in zip(*np.nonzero((p < ODD_ALARMS) & (day_scores(group) > usual)), strict=True):
            s = group.tested.fitted.group.members[i]
            away = float(group.deviation[i, day])
            if not _is_worth_a_word(history, s, away, settings):
                continue
            metric, channel, unit = history.series[s]
            off = Off(float(p[i, day]), metric, channel, unit, away, abs(float(ratio[i, day])))
            for capture in used[group.tested.fitted.means[day] > 0.0]:
                odd.setdefault(int(capture), []).append(off)
    return odd


def _by_capture(history: History, page: Page, settings: Settings) -> dict[int, list[Off]]:
    """Return the figures of captures, among several of a day, that do not fit their record.

    One test a capture: the mean square of all its figures, which count as the number of independent
    ones that they amount to.
    """
    captures = misbooked.on_mixed_days(history)
    independent = max((_independent(tested) for tested in page.tested), default=1.0)
    odd: dict[int, list[Off]] = {}
    for capture in captures.tolist():
        found = misbooked.misfit(history, capture, history, page)
        if found is None:
            continue
        degrees = float(np.median(found.degrees))
        chance = float(fdtrc(independent, degrees, found.mean_square)) * len(captures)
        ratio = np.abs(found.deviation / found.sd)
        if chance >= ODD_ALARMS:
            continue
        for i in np.flatnonzero(ratio >= least_squares.t_quantile(found.degrees)).tolist():
            s, away = int(found.series[i]), float(found.deviation[i])
            if _is_worth_a_word(history, s, away, settings):
                metric, channel, unit = history.series[s]
                off = Off(chance, metric, channel, unit, away, float(ratio[i]))
                odd.setdefault(capture, []).append(off)
    return odd


def _independent(tested: Tested) -> float:
    """Return the number of independent figures that those of a group amount to."""
    design, values = tested.white(tested.fitted.design), tested.white_values
    rest = least_squares.residuals(values, np.linalg.qr(design)[0])
    size = np.sqrt(np.sum(rest**2, axis=1, keepdims=True))
    moving = size[:, 0] > 0.0
    free = len(design) - design.shape[1]
    return serial.effective_figures(rest[moving] / size[moving], free) if moving.any() else 1.0


def _is_worth_a_word(history: History, series: int, away: float, settings: Settings) -> bool:
    level = float(np.nanmedian(history.values[series]))
    least = sizes.least_change(history.series[series][0], level, settings.least_changes)
    return abs(away) >= max(least, np.finfo(float).tiny)


def enough(figures: int) -> int:
    """Return how many figures of a page must be odd, by the page's length."""
    return FIGURES_AT_LEAST if figures >= SEVERAL_FIGURES else 1


def _repeated_sd(group: Deviations, history: History) -> Array:
    """Return how far a day's mean scatters by repeatability alone, shape (S, d); 0 if unknown."""
    fitted = group.tested.fitted
    known = np.nan_to_num(history.scatter[list(fitted.group.members)])
    return known[:, None] / np.sqrt(np.sum(fitted.means > 0.0, axis=1))


def _sentence(capture: str, worst: Off, count: int, own: Place, other: Place | None) -> str:
    if other is not None and other.stylus != own.stylus:
        return (
            f"Capture {capture} does not fit this stylus, but stylus {other.stylus}: check the "
            "sheet's `stylus`."
        )
    if other is not None:
        return (
            f"Capture {capture} does not fit record {own.record}, but {other.record}: check the "
            f"sheet's {_cells(own.record, other.record)}."
        )
    side = f", {worst.channel}" if worst.channel in ("left", "right") else ""
    more = f", and {count - 1} more figure{'s' if count > 2 else ''}" if count > 1 else ""
    size = words.with_unit(abs(worst.deviation), worst.unit)
    way = "above" if worst.deviation > 0.0 else "below"
    return (
        f"Capture {capture} is odd: {metric_words.metric_within(worst.metric)}{side} lies {size} "
        f"{way} what the other days predict{more}."
    )


def _cells(own: str, other: str) -> str:
    """Name the cells of the sheet in which two records differ."""
    pairs = zip(record_parts(own), record_parts(other), strict=True)
    names = ("`record`", "`side`", "`copy`")
    differ = [name for name, (one, two) in zip(names, pairs, strict=True) if one != two]
    return " and ".join(differ)
