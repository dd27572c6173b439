"""Control charts: the newest capture compared with what the days before it predict.

The centre is the fit to every day but the newest, so that a known trend raises no alarm each time.
The limits are those of one further capture, wide enough for all figures of the page together: a
page calls the newest capture odd by chance in at most `ODD_ALARMS` of cases. An exponentially
weighted mean of the deviations (Lucas & Saccucci 1990) is shown beside it and decides nothing.
"""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, stdtrit

from grooveledger.interpret.drift import days, least_squares, rows, sizes
from grooveledger.interpret.drift.analysis import Analysis, analyse_archive
from grooveledger.interpret.drift.days import Array
from grooveledger.interpret.drift.fits import Fitted, Page, Tested
from grooveledger.interpret.drift.history import History
from grooveledger.interpret.drift.misbooked import single_capture_sd
from grooveledger.interpret.drift.odd import (
    ODD_ALARMS,
    STANDS_OUT,
    deviations,
    enough,
    odd_captures,
    usual_score,
)
from grooveledger.interpret.drift.settings import Settings
from grooveledger.schemas.interpret import CONTROL, ODD_CAPTURES

#: Deviations are drawn in to this many standard deviations before their mean is formed.
DRAWN_SDS = 3.0
#: Weight of the newest deviation and limit in standard deviations (Lucas & Saccucci 1990).
EWMA_WEIGHT = 0.2
EWMA_LIMIT_SDS = 2.962
#: One figure's chart: the table's columns.
Chart = dict[str, np.ndarray]
#: The table holds this many of the newest captures of a figure.
CHARTED = 120


def control_table(
    metrics: pd.DataFrame,
    captures: pd.DataFrame,
    styli: pd.DataFrame,
    settings: Mapping[str, Any],
    analysis: Analysis | None = None,
) -> pd.DataFrame:
    """Compare each figure's newest capture with what the days before it predict.

    Parameters
    ----------
    metrics, captures, styli : pandas.DataFrame
        The tables and the sheet of those names.
    settings : mapping
        The configuration's drift block.
    analysis : Analysis, optional
        As `analyse_archive` makes it of these; made here where it is not given.

    Returns
    -------
    pandas.DataFrame
        The columns of the table `control`: the newest `CHARTED` captures of each figure after
        break-in. A figure with too few days, or one whose newest capture is the first on its
        record side or chain, is not charted: nothing predicts it, and it has `fitted` alone.
    """
    found, pages, chosen = analysis or analyse_archive(metrics, captures, styli, settings)
    parts = [part for history in found for part in _charts(history, pages[history.stylus], chosen)]
    columns = {
        name: np.concatenate([part[name] for part in parts]) if parts else np.array([])
        for name in CONTROL.names
    }
    table = pd.DataFrame(columns)
    return table.sort_values(list(CONTROL.key), kind="stable", ignore_index=True)


def odd_captures_table(
    metrics: pd.DataFrame,
    captures: pd.DataFrame,
    styli: pd.DataFrame,
    settings: Mapping[str, Any],
    analysis: Analysis | None = None,
) -> pd.DataFrame:
    """Name the captures that do not fit their stylus; parameters as for `control_table`."""
    found, pages, chosen = analysis or analyse_archive(metrics, captures, styli, settings)
    return pd.DataFrame(list(odd_captures(found, pages, chosen)), columns=list(ODD_CAPTURES.names))


def _charts(history: History, page: Page, settings: Settings) -> Iterator[Chart]:
    """Yield the charts of one stylus, and the fits of figures that have none."""
    newest = history.day == history.day[-1]
    shown = [
        tested
        for tested in page.tested
        if tested.fitted.group.used[-1]
        and _predictable(tested.fitted, history, newest, settings.minimum_captures)
    ]
    for tested in page.tested:
        if not any(tested is one for one in shown):
            yield from _fits(history, settings, tested)
    figures = sum(len(tested.fitted.values) for tested in shown)
    if not shown:
        return
    others = [found for found in map(deviations, page.tested) if found is not None]
    usual = STANDS_OUT * usual_score(others, history, str(history.day[-1]))
    charts = [
        chart for tested in shown for chart in _group(history, settings, tested, figures, usual)
    ]
    if sum(bool(chart["flagged"].any()) for chart in charts) < enough(figures):
        for chart in charts:
            chart["flagged"] = np.zeros_like(chart["flagged"])
            chart["reason"] = np.full(len(chart["reason"]), None, dtype=object)
    yield from charts


def _predictable(group: Fitted, history: History, newest: np.ndarray, least_days: int) -> bool:
    """Return whether the days before the newest fix what the newest capture should give."""
    before = ~(group.means @ newest[group.group.used] > 0.0)
    design = group.design[before]
    return bool(
        np.sum(before) >= max(least_days, design.shape[1] + 2)
        and np.linalg.matrix_rank(design) == design.shape[1]
        and np.ptp(group.hours[before]) > 0.0
    )


def _fits(history: History, settings: Settings, tested: Tested) -> Iterator[Chart]:
    """Yield what the fit gives for each capture of figures that the same captures measured."""
    group = tested.fitted
    used, day_of = group.group.used, np.argmax(group.means > 0.0, axis=0)
    values = history.values[list(group.group.members)][:, used]
    # A day on which several records were played lies between them.
    effect, _ = days.within_days(values, history.day[used], history.played[used])
    count = values.shape[1]
    none, no = np.full(count, np.nan), np.zeros(count, dtype=bool)
    for i, s in enumerate(group.group.members):
        metric, channel, unit = history.series[s]
        least = sizes.least_change(metric, float(np.median(values[i])), settings.least_changes)
        fitted = rows.fitted_values(tested, i, least, float(history.resolution[s]))
        chart: Chart = {
            "stylus": np.full(count, history.stylus, dtype=object),
            "metric": np.full(count, metric, dtype=object),
            "channel": np.full(count, channel, dtype=object),
            "capture": history.capture[used].astype(object),
            "stylus_hours": history.conditions.hours[used],
            "captured_at": history.captured_at[used].astype(object),
            "unit": np.full(count, unit, dtype=object),
            "value": values[i],
            **dict.fromkeys(("centre", "low", "high", "ewma", "ewma_limit"), none),
            **dict.fromkeys(("newest", "flagged"), no),
            "reason": np.full(count, None, dtype=object),
            "fitted": fitted[day_of] + effect[i],
        }
        yield {name: column[max(0, count - CHARTED) :] for name, column in chart.items()}


def _group(
    history: History,
    settings: Settings,
    tested: Tested,
    figures: int,
    usual: float,
) -> Iterator[Chart]:
    """Yield the charts of figures that the same captures measured."""
    group = tested.fitted
    used = group.group.used
    of_newest = (history.day == history.day[-1])[used]
    before = ~(group.means @ of_newest > 0.0)
    design, hours = group.design[before], group.hours[before]
    scatter, date = tested.scatter, group.date[before]
    white = scatter.white(group.values[:, before].T, hours, date).T
    fit = least_squares.fit(scatter.white(design, hours, date), white, group.n_odd)
    day_of = np.argmax(group.means > 0.0, axis=0)
    row = group.design[day_of[-1]]
    own = float(row @ fit.unscaled @ row)
    values = history.values[list(group.group.members)][:, used]
    relative = scatter.spread.at(history.conditions.hours[used], history.date[used])
    sd = single_capture_sd(history, group, fit.scatter_sd, relative)
    effect, _ = days.within_days(values, history.day[used], history.played[used])
    chance = np.minimum(0.5 * ODD_ALARMS / figures, ndtr(-usual))
    reaches = -stdtrit(fit.degrees, chance)
    count = values.shape[1]
    newest = np.arange(count) == count - 1
    last = slice(max(0, count - CHARTED), None)
    for i, chart in enumerate(_fits(history, settings, tested)):
        centre = (group.design @ fit.coefficients[i])[day_of] + effect[i]
        reach = reaches[i] * sd[i]
        reach[-1] *= np.sqrt(1.0 + own / relative[-1] ** 2)
        away = values[i] - centre
        mean, mean_limit = ewma(np.divide(away, sd[i], out=np.zeros(count), where=sd[i] > 0.0))
        metric = history.series[group.group.members[i]][0]
        least = sizes.least_change(metric, float(np.median(values[i])), settings.least_changes)
        beyond = bool(abs(away[-1]) > reach[-1] and abs(away[-1]) >= least)
        reason = np.full(count, None, dtype=object)
        reason[-1] = "beyond the limits" if beyond else None
        compared = {
            "centre": centre,
            "low": centre - reach,
            "high": centre + reach,
            "ewma": mean,
            "ewma_limit": mean_limit,
            "newest": newest,
            "flagged": newest & beyond,
            "reason": reason,
        }
        yield chart | {name: column[last] for name, column in compared.items()}


def ewma(
    deviations: Array, weight: float = EWMA_WEIGHT, limit_sds: float = EWMA_LIMIT_SDS
) -> tuple[Array, Array]:
    """Return the exponentially weighted mean of deviations in standard deviations, and its limit.

    Deviations are drawn in to `DRAWN_SDS` first, so that a single odd capture does not move those
    that follow it. The limit at capture i is
    L sqrt(w / (2 - w) (1 - (1 - w)^(2 i))) (Lucas & Saccucci 1990).
    """
    drawn = np.clip(deviations, -DRAWN_SDS, DRAWN_SDS)
    mean = np.empty_like(drawn)
    last = 0.0
    for i, deviation in enumerate(drawn):
        last = weight * deviation + (1.0 - weight) * last
        mean[i] = last
    count = np.arange(1, len(drawn) + 1)
    limit = limit_sds * np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * count)))
    return mean, np.asarray(limit)
