"""What moved between two sets of results of one archive: figures, verdicts, curves."""

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from grooveledger.interpret.repeatability import playing_scatter
from grooveledger.storage import data_frames

#: The difference of two repeats stays below this many of their standard deviations in 95 % of cases
#: (ISO 5725-6:1994, 4.1.4: repeatability limit r = 2.8 s_r).
REPEATABILITY_FACTOR = 2.8
#: Figures that agree to this part of themselves have not moved: another machine's rounding, and
#: where an iterative fit stops.
ROUNDING = 1e-6
#: Rows of two sets that are the same figure.
KEY = ["capture", "metric", "channel", "track_position"]
#: Verdicts by kind: table, columns that name whose, the figure's, the channel's, the verdict, the
#: reason; empty where the table has none.
VERDICTS = (
    ("capture", "captures", "capture", "", "", "status", "reason"),
    ("drift", "drift", "stylus", "metric", "channel", "verdict", "confounded_with"),
    ("rating", "ratings", "capture", "quantity", "channel", "verdict", "note"),
)


class Changes(NamedTuple):
    """What moved: one frame a table of `schemas.changes`, and the captures that both sets have."""

    metrics: pd.DataFrame
    figures: pd.DataFrame
    verdicts: pd.DataFrame
    captures: list[str]


def compare(before: Path, after: Path) -> Changes:
    """Compare two results folders.

    Parameters
    ----------
    before, after : Path
        Results, or snapshots of them, with `tables/`.
    """
    old, new = before / "tables", after / "tables"
    both = _joined(
        data_frames.read(old / "metrics.parquet"), data_frames.read(new / "metrics.parquet")
    )
    limits = repeatability_limits(data_frames.read(new / "budgets.parquet"))
    figures = _with_limits(both, limits)
    moved = figures["moved"] | figures["lost"] | figures["new"]
    shared = set(data_frames.read(old / "captures.parquet")["capture"])
    captures = [c for c in data_frames.read(new / "captures.parquet")["capture"] if c in shared]
    return Changes(
        metrics=_by_metric(figures),
        figures=figures.loc[moved].sort_values(KEY).reset_index(drop=True),
        verdicts=_verdicts(old, new),
        captures=captures,
    )


def repeatability_limits(budgets: pd.DataFrame) -> pd.DataFrame:
    """Return what two playings of each figure differ by at most: `KEY` and `repeatability_limit`.

    The budget's scatter from one playing to the next: repeatability, noise and momentary speed.
    """
    columns = {str(name): budgets[name] for name in budgets.columns}
    return budgets[KEY].assign(repeatability_limit=REPEATABILITY_FACTOR * playing_scatter(columns))


def _joined(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    columns = [*KEY, "track", "stylus", "unit", "value", "limited"]
    both = before[columns].merge(
        after[columns], on=KEY, how="outer", suffixes=("_before", "_after"), indicator="there"
    )
    for name in ("track", "stylus", "unit"):
        both[name] = both[f"{name}_after"].where(
            both[f"{name}_after"].notna(), both[f"{name}_before"]
        )
    old, new = both["value_before"], both["value_after"]
    both["change"] = new - old
    both["lost"] = old.notna() & new.isna()
    both["new"] = old.isna() & new.notna()
    largest = np.maximum(old.abs(), new.abs())
    bounds = (both["limited_before"] != both["limited_after"]) & both["change"].notna()
    both["moved"] = (both["change"].abs() > ROUNDING * largest) | bounds
    return both


def _with_limits(both: pd.DataFrame, limits: pd.DataFrame) -> pd.DataFrame:
    both = both.merge(limits, on=KEY, how="left")
    known = both["repeatability_limit"].notna() & both["change"].notna()
    beyond = both["change"].abs() > both["repeatability_limit"]
    both["beyond"] = beyond.astype(object).where(known, None)
    return both


def _by_metric(figures: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for (metric, channel), group in figures.groupby(["metric", "channel"], sort=True):
        moved = group[group["moved"]]
        sizes = moved["change"].abs()
        largest = moved.iloc[int(np.nanargmax(sizes))] if sizes.notna().any() else None
        limit = group["repeatability_limit"].median()
        rows.append(
            {
                "metric": metric,
                "channel": channel,
                "unit": group["unit"].iloc[0],
                "n": int(group["change"].notna().sum()),
                "n_moved": len(moved),
                "n_beyond": None if np.isnan(limit) else int(moved["beyond"].eq(True).sum()),
                "n_lost": int(group["lost"].sum()),
                "n_new": int(group["new"].sum()),
                "median_change": moved["change"].median(),
                "largest_change": None if largest is None else largest["change"],
                "largest_capture": None if largest is None else largest["capture"],
                "repeatability_limit": limit,
            }
        )
    return pd.DataFrame(rows)


def _verdicts(before: Path, after: Path) -> pd.DataFrame:
    parts = []
    for kind, table, of, figure, channel, verdict, reason in VERDICTS:
        names = {of: "of", figure: "figure", channel: "channel", verdict: "word", reason: "reason"}
        names.pop("", None)
        old, new = (
            data_frames.read(folder / f"{table}.parquet")[list(names)].rename(columns=names)
            for folder in (before, after)
        )
        key = [name for name in ("of", "figure", "channel") if name in old]
        both = old.merge(new, on=key, how="outer", suffixes=("_before", "_after"))
        old_word, new_word = both["word_before"], both["word_after"]
        same = (old_word == new_word) | (old_word.isna() & new_word.isna())
        both = both.loc[~same].rename(
            columns={"word_before": "before", "word_after": "after", "reason_after": "reason"}
        )
        parts.append(
            both.assign(
                kind=kind, **{name: "" for name in ("figure", "channel") if name not in key}
            )
        )
    return pd.concat(parts, ignore_index=True)
