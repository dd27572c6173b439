"""From the long table of metrics to one array of figures a stylus."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from grooveledger.interpret.drift.covariates import Conditions, plausible
from grooveledger.interpret.drift.robust import Array


class History(NamedTuple):
    """Everything measured with one stylus, its n captures in the order of their hours.

    Attributes
    ----------
    stylus, cartridge : str
    break_in_hours : float
        Hours in which it settled; NaN where the configuration's default holds.
    capture, captured_at, day : ndarray of str, shape (n,)
    cell : ndarray of int, shape (n,)
        Label of day, record side and chain: captures with one label repeat each other.
    conditions : Conditions
    series : tuple of (metric, channel, unit)
        Sorted; S of them.
    values : ndarray, shape (S, n)
        NaN where not measured, or where only a bound is known.
    limited : ndarray of bool, shape (S, n)
        True where only a bound is known.
    """

    stylus: str
    cartridge: str
    break_in_hours: float
    capture: np.ndarray
    captured_at: np.ndarray
    day: np.ndarray
    cell: np.ndarray
    conditions: Conditions
    series: tuple[tuple[str, str, str], ...]
    values: Array
    limited: np.ndarray

    def after_break_in(self, default_hours: float) -> np.ndarray:
        """Tell which captures were made after the break-in."""
        return np.asarray(self.conditions.hours >= self.settled_hours(default_hours))

    def settled_hours(self, default_hours: float) -> float:
        """Return the hours at the end of the break-in."""
        return default_hours if np.isnan(self.break_in_hours) else self.break_in_hours


def histories(metrics: pd.DataFrame, captures: pd.DataFrame, styli: pd.DataFrame) -> list[History]:
    """Split the long table into one history a stylus, sorted by its id.

    Parameters
    ----------
    metrics, captures, styli : pandas.DataFrame
        As the tables and the sheet of those names. Rows without hours or stylus are left out, so
        are captures that `captures` calls rejected; of several tracks with one figure the first
        counts.
    """
    rows = metrics[metrics["stylus_hours"].notna() & metrics["stylus"].notna()]
    if "status" in captures.columns:
        rejected = captures.loc[captures["status"] == "rejected", "capture"]
        if len(rejected):
            rows = rows[~rows["capture"].isin(rejected)]
    rows = _first_tracks(rows)
    break_in = _break_in_hours(styli)
    codes, names = pd.factorize(rows["stylus"], sort=True)
    order = np.argsort(codes, kind="stable")
    bounds = np.searchsorted(codes[order], np.arange(len(names) + 1))
    return [
        _history(str(name), rows.iloc[order[first:last]], break_in.get(str(name), np.nan))
        for name, first, last in zip(names, bounds[:-1], bounds[1:], strict=True)
    ]


class Group(NamedTuple):
    """Series that the same captures measured and the same covariates may move.

    Attributes
    ----------
    used : ndarray of bool, shape (n,)
        Captures after break-in with a figure.
    candidates : frozenset of str
        Covariates that may act.
    members : tuple of int
        The series.
    """

    used: np.ndarray
    candidates: frozenset[str]
    members: tuple[int, ...]


def groups(history: History, default_break_in_hours: float) -> list[Group]:
    """Gather the series that can be fitted together."""
    settled = history.after_break_in(default_break_in_hours)
    used = np.isfinite(history.values) & settled[None, :]
    found: dict[tuple[bytes, frozenset[str]], list[int]] = {}
    for s, (metric, _, _) in enumerate(history.series):
        found.setdefault((used[s].tobytes(), plausible(metric)), []).append(s)
    return [
        Group(used[members[0]], candidates, tuple(members))
        for (_, candidates), members in found.items()
    ]


def _first_tracks(rows: pd.DataFrame) -> pd.DataFrame:
    position = "track_position" if "track_position" in rows.columns else "track"
    keys = [_codes(rows[name]) for name in ("capture", "metric", "channel")]
    place = rows[position].to_numpy(dtype=float, na_value=np.inf)
    order = np.lexsort([place, *reversed(keys)])
    new = np.zeros(len(rows), dtype=bool)
    for key in keys:
        new |= np.diff(key[order], prepend=-1) != 0
    return rows.iloc[order[new]]


def _codes(column: "pd.Series") -> np.ndarray:
    return np.asarray(pd.factorize(column, sort=True)[0])


def _break_in_hours(styli: pd.DataFrame) -> dict[str, float]:
    if "break_in_hours" not in styli.columns:
        return {}
    hours = pd.to_numeric(styli["break_in_hours"]).to_numpy(dtype=float, na_value=np.nan)
    return dict(zip(styli["stylus"].astype(str), hours, strict=True))


def _history(stylus: str, rows: pd.DataFrame, break_in_hours: float) -> History:
    once = rows.drop_duplicates("capture").sort_values(["stylus_hours", "captured_at", "capture"])
    place = pd.Series(np.arange(len(once)), index=once["capture"].to_numpy())
    keys, series = _series(rows)
    capture = place.loc[rows["capture"].to_numpy()].to_numpy()
    value = rows["value"].to_numpy(dtype=float, na_value=np.nan)
    bound = rows["limited"].fillna(False).to_numpy(dtype=bool)
    values = np.full((len(series), len(once)), np.nan)
    limited = np.zeros(values.shape, dtype=bool)
    values[keys, capture] = np.where(bound | ~np.isfinite(value), np.nan, value)
    limited[keys, capture] = bound
    when = once["captured_at"].astype(str).to_numpy(dtype=str)
    day = np.array([moment[:10] for moment in when])
    record = (once["record"].astype(str) + "/" + once["side"].astype(str)).to_numpy(dtype=str)
    chain = once["chain"].astype(str).to_numpy(dtype=str)
    labels = ["\t".join(parts) for parts in zip(day, record, chain, strict=True)]
    return History(
        stylus,
        str(once["cartridge"].iloc[0]),
        float(break_in_hours),
        once["capture"].to_numpy(dtype=str),
        when,
        day,
        np.unique(labels, return_inverse=True)[1],
        Conditions(
            _numbers(once["stylus_hours"]),
            _numbers(once["record_plays"]),
            _numbers(once["temperature_c"]),
            record,
            chain,
        ),
        series,
        values,
        limited,
    )


def _series(rows: pd.DataFrame) -> tuple[np.ndarray, tuple[tuple[str, str, str], ...]]:
    pairs = pd.MultiIndex.from_arrays([rows["metric"], rows["channel"]])
    keys, distinct = pd.factorize(pairs, sort=True)
    first = np.unique(keys, return_index=True)[1]
    units = rows["unit"].iloc[first].astype(str)
    return np.asarray(keys), tuple(
        (str(metric), str(channel), unit)
        for (metric, channel), unit in zip(distinct, units, strict=True)
    )


def _numbers(column: "pd.Series") -> Array:
    return np.asarray(column.to_numpy(dtype=float, na_value=np.nan))
