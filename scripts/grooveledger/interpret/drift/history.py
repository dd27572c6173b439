"""From the long table of metrics to one array of figures a stylus."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from grooveledger.interpret.drift.covariates import CaptureConditions, plausible
from grooveledger.interpret.drift.days import Array, day_labels
from grooveledger.schemas.states import Status

#: A track counts as shared where it gives the figure in this share of the captures that any does.
SHARED_BY = 0.8
#: A value beyond this is no measurement, and its square would overflow.
LARGEST_VALUE = 1e100
#: Figures come in steps where at most this share of them differ.
STEPPED_SHARE = 0.5


class History(NamedTuple):
    """Everything measured with one stylus, its n captures in the order of their hours.

    Attributes
    ----------
    stylus, cartridge : str
    break_in_hours : float
        Hours in which it settled; NaN where the configuration's default holds.
    capture, captured_at, day : ndarray of str, shape (n,)
    date : ndarray, shape (n,)
        Days since 1970; NaN where the date is unknown.
    cell : ndarray of int, shape (n,)
        Label of day, record side and chain: captures with one label repeat each other.
    conditions : CaptureConditions
    series : tuple of (metric, channel, unit)
        Sorted; S of them.
    values : ndarray, shape (S, n)
        NaN where not measured, or where only a bound is known.
    limited : ndarray of bool, shape (S, n)
        True where only a bound is known.
    tracks : tuple of str
        Which track each series is read from, by record and side.
    scatter : ndarray, shape (S,)
        Standard deviation from one playing to the next in the archive's repeats; NaN where unknown.
    resolution : ndarray, shape (S,)
        The steps that a figure comes in, such as a record's amplitudes; 0 for all others.
    """

    stylus: str
    cartridge: str
    break_in_hours: float
    capture: np.ndarray
    captured_at: np.ndarray
    day: np.ndarray
    date: Array
    cell: np.ndarray
    conditions: CaptureConditions
    series: tuple[tuple[str, str, str], ...]
    values: Array
    limited: np.ndarray
    tracks: tuple[str, ...]
    scatter: Array
    resolution: Array

    @property
    def played(self) -> np.ndarray:
        """Record and chain of each capture in one label."""
        return np.char.add(np.char.add(self.conditions.record, "\t"), self.conditions.chain)

    def settled_hours(self, default_hours: float) -> float:
        """Return the hours at the end of the break-in."""
        return default_hours if np.isnan(self.break_in_hours) else self.break_in_hours


def histories(metrics: pd.DataFrame, captures: pd.DataFrame, styli: pd.DataFrame) -> list[History]:
    """Split the long table into one history a stylus, sorted by its id.

    Parameters
    ----------
    metrics, captures, styli : pandas.DataFrame
        As the tables and the sheet of those names. Rows without hours or stylus are left out, so
        are captures that `captures` calls rejected; of several tracks with one figure the innermost
        counts that most captures share.
    """
    rows = metrics[metrics["stylus_hours"].notna() & metrics["stylus"].notna()]
    if "status" in captures.columns:
        rejected = captures.loc[captures["status"] == Status.REJECTED, "capture"]
        if len(rejected):
            rows = rows[~rows["capture"].isin(rejected)]
    rows = innermost_tracks(rows)
    break_in = _break_in_hours(styli)
    codes, names = pd.factorize(rows["stylus"], sort=True)
    order = np.argsort(codes, kind="stable")
    bounds = np.searchsorted(codes[order], np.arange(len(names) + 1))
    return [
        _history(str(name), rows.iloc[order[first:last]], break_in.get(str(name), np.nan))
        for name, first, last in zip(names, bounds[:-1], bounds[1:], strict=True)
    ]


class FigureGroup(NamedTuple):
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


def groups(history: History, settled_hours: float) -> list[FigureGroup]:
    """Gather the series that can be fitted together, of captures from the end of break-in on."""
    used = np.isfinite(history.values) & (history.conditions.hours >= settled_hours)[None, :]
    found: dict[tuple[bytes, frozenset[str]], list[int]] = {}
    for s, (metric, _, _) in enumerate(history.series):
        found.setdefault((used[s].tobytes(), plausible(metric)), []).append(s)
    return [
        FigureGroup(used[members[0]], candidates, tuple(members))
        for (_, candidates), members in found.items()
    ]


def innermost_tracks(rows: pd.DataFrame) -> pd.DataFrame:
    """Keep, of the tracks that give one figure of a stylus, the most telling of wear.

    Parameters
    ----------
    rows : pandas.DataFrame
        Of the metrics table.

    Returns
    -------
    pandas.DataFrame
        Of each stylus, metric, channel, record and side the rows of one track: the innermost, where
        the groove is slowest and wear shows first, of those that `SHARED_BY` of the captures have.
        Records play inwards, so it is the last in the plan.
    """
    position = "track_position" if "track_position" in rows.columns else "track"
    place = pd.to_numeric(rows[position], errors="coerce").fillna(-1.0).to_numpy(dtype=float)
    names = ("stylus", "metric", "channel", "record", "side")
    figure = np.zeros(len(rows), dtype=np.int64)
    for name in names:
        codes, found = pd.factorize(rows[name], sort=True)
        figure = np.unique(figure * (len(found) + 1) + codes + 1, return_inverse=True)[1]
    finite = np.isfinite(pd.to_numeric(rows["value"]).to_numpy(dtype=float, na_value=np.nan))
    pairs, pair = np.unique(np.column_stack([figure, place]), axis=0, return_inverse=True)
    counts = np.bincount(pair.ravel(), weights=finite, minlength=len(pairs))
    owner = pairs[:, 0].astype(int)
    most = np.zeros(int(owner.max()) + 1 if len(owner) else 0)
    np.maximum.at(most, owner, counts)
    shared = counts >= SHARED_BY * most[owner]
    chosen = np.full(len(most), -np.inf)
    np.maximum.at(chosen, owner[shared], pairs[shared, 1])
    kept = rows[place == chosen[figure]]
    once: pd.DataFrame = kept.drop_duplicates(["capture", "metric", "channel"])
    return once


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
    usable = np.isfinite(value) & (np.abs(np.nan_to_num(value)) < LARGEST_VALUE)
    bound = rows["limited"].fillna(False).to_numpy(dtype=bool)
    values = np.full((len(series), len(once)), np.nan)
    limited = np.zeros(values.shape, dtype=bool)
    values[keys, capture] = np.where(bound | ~usable, np.nan, value)
    limited[keys, capture] = bound
    # Of a column with nulls, pandas makes numpy strings of a single character.
    when = np.array([str(moment) for moment in once["captured_at"].fillna("")], dtype=str)
    hours = _numbers(once["stylus_hours"])
    day = day_labels(when, hours)
    date = pd.to_datetime(pd.Series(when).str[:10], errors="coerce", format="%Y-%m-%d")
    record = _played(once).to_numpy(dtype=str)
    chain = once["chain"].astype(str).to_numpy(dtype=str)
    labels = ["\t".join(parts) for parts in zip(day, record, chain, strict=True)]
    return History(
        stylus,
        str(once["cartridge"].iloc[0]),
        float(break_in_hours),
        once["capture"].to_numpy(dtype=str),
        when,
        day,
        _numbers((date - pd.Timestamp(0)) / pd.Timedelta(days=1)),
        np.unique(labels, return_inverse=True)[1],
        CaptureConditions(
            hours,
            _numbers(once["record_plays"]),
            _numbers(once["temperature_c"]),
            record,
            chain,
        ),
        series,
        values,
        limited,
        _tracks(rows, keys, len(series)),
        _scatter(rows, keys, len(series)),
        resolution(values, [metric for metric, _, _ in series]),
    )


def resolution(values: Array, metrics: Sequence[str]) -> Array:
    """Return the steps (S,) that figures come in, from all channels of each metric; else 0.

    A metric comes in steps where its figures are no more than half as many different ones.

    Examples
    --------
    >>> resolution(np.array([[60.0, 60.0, 50.0], [60.0, 50.0, 50.0]]), ["tracked", "tracked"])
    array([10., 10.])
    """
    steps = np.zeros(len(values))
    for metric in sorted(set(metrics)):
        own = np.array([name == metric for name in metrics])
        known = values[own][np.isfinite(values[own])]
        distinct = np.unique(known)
        if 1 < len(distinct) <= STEPPED_SHARE * len(known):
            steps[own] = np.min(np.diff(distinct))
    return steps


def _played(rows: pd.DataFrame) -> "pd.Series[str]":
    """Record and side of each capture, and the copy where one is named: each has its own wear."""
    place = rows["record"].astype(str) + "/" + rows["side"].astype(str)
    if "copy" not in rows.columns:
        return place
    copy = rows["copy"].fillna("").astype(str)
    return place + (", copy " + copy).where(copy != "", "")


def record_parts(label: str) -> tuple[str, str, str]:
    """Return record, side and copy of a label; the copy is empty where none is named.

    Examples
    --------
    >>> record_parts("bench-a/b, copy second")
    ('bench-a', 'b', 'second')
    """
    place, _, copy = label.partition(", copy ")
    record, _, side = place.partition("/")
    return record, side, copy


def _scatter(rows: pd.DataFrame, keys: np.ndarray, count: int) -> Array:
    """Return the median scatter of each series; NaN where the archive's repeats do not give it."""
    found = np.full(count, np.nan)
    if "scatter" in rows.columns:
        medians = _numbers(rows["scatter"].groupby(keys).median())
        found[: len(medians)] = medians
    return found


def _tracks(rows: pd.DataFrame, keys: np.ndarray, count: int) -> tuple[str, ...]:
    """Name the track of each series; by record and side where these differ."""
    frame = pd.DataFrame(
        {
            "key": keys,
            "place": (rows["record"].astype(str) + "/" + rows["side"].astype(str)).to_numpy(),
            "track": rows["track"].astype(str).to_numpy(),
        }
    ).drop_duplicates()
    said: list[list[tuple[str, str]]] = [[] for _ in range(count)]
    for key, place, track in sorted(frame.itertuples(index=False, name=None)):
        said[key].append((place, track))
    return tuple(
        tracks[0][1]
        if len({track for _, track in tracks}) == 1
        else "; ".join(f"{place}: {track}" for place, track in tracks)
        for tracks in said
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
