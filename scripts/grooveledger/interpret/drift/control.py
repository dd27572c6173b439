"""Control charts: the newest capture against what those before it foretell.

The centre is the fit to every capture but the newest, so a known trend raises no alarm each time.
The limits are those of one further capture, at the chance that three standard deviations have in a
normal distribution (Shewhart 1931), and the deviations are also followed by an exponentially
weighted mean, which sees small lasting changes (Lucas & Saccucci 1990).
"""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtr, stdtrit

from grooveledger.interpret.drift import covariates
from grooveledger.interpret.drift.covariates import Conditions
from grooveledger.interpret.drift.estimate import SLOPE_HOURS, fit_series
from grooveledger.interpret.drift.history import Group, History, groups, histories
from grooveledger.interpret.drift.robust import Array
from grooveledger.interpret.drift.sessions import repeatability_sd
from grooveledger.interpret.drift.settings import Settings
from grooveledger.interpret.drift.table import baseline_hours
from grooveledger.schemas.interpret import CONTROL

#: Shewhart's limits.
LIMIT_SDS = 3.0
#: Weight of the newest deviation and limit in standard deviations: an average run of 500 captures
#: between false alarms (Lucas & Saccucci 1990).
EWMA_WEIGHT = 0.2
EWMA_LIMIT_SDS = 2.962
#: One figure's chart: the table's columns.
Chart = dict[str, np.ndarray]
#: A chart shows so many of the newest captures.
CHARTED = 30


def control_table(
    metrics: pd.DataFrame,
    captures: pd.DataFrame,
    styli: pd.DataFrame,
    settings: Mapping[str, Any],
) -> pd.DataFrame:
    """Hold each figure's newest captures against what those before the newest foretell.

    Parameters
    ----------
    metrics, captures, styli : pandas.DataFrame
        The tables and the sheet of those names.
    settings : mapping
        The configuration's drift block.

    Returns
    -------
    pandas.DataFrame
        The columns of the table `control`: the newest `CHARTED` captures of each figure after
        break-in. A figure with too few captures, or one whose newest capture is the first on its
        record side or chain, is not charted: nothing foretells it.
    """
    chosen = Settings.from_mapping(settings)
    parts = [
        part for history in histories(metrics, captures, styli) for part in _charts(history, chosen)
    ]
    columns = {
        name: np.concatenate([part[name] for part in parts]) if parts else np.array([])
        for name in CONTROL.names
    }
    table = pd.DataFrame(columns)
    return table.sort_values(list(CONTROL.key), kind="stable", ignore_index=True)


def _charts(history: History, settings: Settings) -> Iterator[Chart]:
    """Yield the charts of one stylus."""
    for group in groups(history, settings.break_in_hours):
        yield from _group(history, settings, group)


def _group(history: History, settings: Settings, group: Group) -> Iterator[Chart]:
    """Yield the charts of figures that the same captures measured."""
    used, candidates, members = group
    conditions = history.conditions.take(used)
    hours = conditions.hours
    if len(hours) <= settings.minimum_captures or not _foretold(conditions, candidates):
        return
    limit = settings.variance_inflation_limit
    columns = covariates.choose_model(conditions, candidates, limit).columns
    values = history.values[list(members)][:, used]
    origin = baseline_hours(hours, history.settled_hours(settings.break_in_hours))
    day = history.day[used]
    base = np.column_stack([np.ones(len(hours)), (hours - origin) / SLOPE_HOURS, columns])
    if np.linalg.matrix_rank(base[:-1]) < base.shape[1]:
        return
    fits = fit_series(hours[:-1], day[:-1], columns[:-1], values[:, :-1], origin)
    counted = np.array([np.append(fit.weights > 0.0, False) for fit in fits])
    repeatability = repeatability_sd(values, history.cell[used], counted)
    shown = slice(max(0, len(hours) - CHARTED), None)
    for i, s in enumerate(members):
        fit = fits[i]
        design = base
        if fit.step_index >= 0:
            design = np.column_stack([base, np.arange(len(hours)) >= fit.step_index])
        centre = design @ fit.coefficients
        sd = float(np.fmax(fit.scatter_sd, repeatability[i]))
        own = float(design[-1] @ fit.covariance @ design[-1])
        reach = limit_quantile(fit.degrees_of_freedom) * np.full(len(hours), sd)
        reach[-1] *= np.sqrt(1.0 + own / sd**2) if sd > 0.0 else 1.0
        mean, mean_limit = ewma((values[i] - centre) / sd if sd > 0.0 else np.zeros(len(hours)))
        beyond = bool(abs(values[i, -1] - centre[-1]) > reach[-1])
        lasting = bool(abs(mean[-1]) > mean_limit[-1])
        metric, channel, unit = history.series[s]
        newest = np.arange(len(hours)) == len(hours) - 1
        said = "beyond the limits" if beyond else "small deviations to one side, lasting"
        reason = np.full(len(hours), None, dtype=object)
        reason[-1] = said if beyond or lasting else None
        chart: Chart = {
            "stylus": np.full(len(hours), history.stylus, dtype=object),
            "metric": np.full(len(hours), metric, dtype=object),
            "channel": np.full(len(hours), channel, dtype=object),
            "capture": history.capture[used].astype(object),
            "stylus_hours": hours,
            "captured_at": history.captured_at[used].astype(object),
            "unit": np.full(len(hours), unit, dtype=object),
            "value": values[i],
            "centre": centre,
            "low": centre - reach,
            "high": centre + reach,
            "ewma": mean,
            "ewma_limit": mean_limit,
            "newest": newest,
            "flagged": newest & (beyond or lasting),
            "reason": reason,
        }
        yield {name: column[shown] for name, column in chart.items()}


def _foretold(conditions: Conditions, candidates: frozenset[str]) -> bool:
    """Tell whether the newest capture's record side and chain were met before, if they may act."""
    labels = {covariates.RECORD: conditions.record, covariates.CHAIN: conditions.chain}
    return all(column[-1] in column[:-1] for name, column in labels.items() if name in candidates)


def limit_quantile(degrees_of_freedom: float) -> float:
    """Return the quantile of Student's t as unlikely as `LIMIT_SDS` normal deviations."""
    return float(stdtrit(degrees_of_freedom, float(ndtr(LIMIT_SDS))))


def ewma(
    deviations: Array, weight: float = EWMA_WEIGHT, limit_sds: float = EWMA_LIMIT_SDS
) -> tuple[Array, Array]:
    """Return the exponentially weighted mean of deviations in standard deviations, and its limit.

    Deviations are drawn in to `LIMIT_SDS` first, so that a single odd capture does not flag those
    that follow it. The limit at capture i is
    L sqrt(w / (2 - w) (1 - (1 - w)^(2 i))) (Lucas & Saccucci 1990).
    """
    drawn = np.clip(deviations, -LIMIT_SDS, LIMIT_SDS)
    mean = np.empty_like(drawn)
    last = 0.0
    for i, deviation in enumerate(drawn):
        last = weight * deviation + (1.0 - weight) * last
        mean[i] = last
    grown = 1.0 - (1.0 - weight) ** (2.0 * np.arange(1, len(drawn) + 1))
    limit = limit_sds * np.sqrt(weight / (2.0 - weight) * grown)
    return mean, limit
