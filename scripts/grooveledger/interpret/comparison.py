"""Styli and cartridges side by side, over the same stretch of their lives.

Responses compare only where they come from records of one original recording (IEC 60098:2020,
10.1); the table names the records and chains beside each figure.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from grooveledger.interpret.response_curves import after_break_in, channel_curves, mean_curve
from grooveledger.schemas.interpret import COMPARISON

#: What styli that are laid side by side should share; the chain holds the load.
CONDITIONS = ("records", "chains", "copies")
CURVE_COLUMNS = ("cartridge", "stylus", "channel", "frequency_hz", "response_db", "uncertainty_db")


def compared_captures(
    captures: pd.DataFrame, styli: pd.DataFrame, settings: Mapping[str, Any]
) -> pd.DataFrame:
    """Return the captures made within `comparison_hours` from the end of each stylus's break-in."""
    settled = after_break_in(captures, styli)
    break_in = dict(zip(styli["stylus"], styli["break_in_hours"], strict=True))
    ends = settled["stylus"].map(break_in).astype(float) + settings["comparison_hours"]
    kept: pd.DataFrame = settled.loc[settled["stylus_hours"] <= ends]
    return kept


def comparison_table(
    captures: pd.DataFrame,
    metrics: pd.DataFrame,
    styli: pd.DataFrame,
    settings: Mapping[str, Any],
) -> pd.DataFrame:
    """Average every figure of every stylus over the hours that follow its break-in.

    Parameters
    ----------
    captures, metrics : DataFrame
        The archive-wide tables. Of several tracks of a capture the first in the plan counts; bounds
        are counted, not averaged.
    styli : DataFrame
        Columns stylus and break_in_hours, the default filled in.
    settings : mapping
        `comparison_hours`.

    Returns
    -------
    DataFrame
        As declared in `grooveledger.schemas.interpret.COMPARISON`.
    """
    kept = compared_captures(captures, styli, settings)
    figures = metrics[metrics["capture"].isin(kept["capture"]) & metrics["value"].notna()]
    figures = figures.sort_values(["metric", "channel", "capture", "track_position"])
    figures = figures.drop_duplicates(["metric", "channel", "capture"])
    rows = []
    for place, group in figures.groupby(list(COMPARISON.key), sort=True):
        limited = group["limited"].fillna(False).astype(bool)
        plain = group[~limited]
        many = len(plain) > 1
        rows.append(
            dict(zip(COMPARISON.key, place, strict=True))
            | {
                "unit": group["unit"].iloc[0],
                "value": plain["value"].mean() if len(plain) else np.nan,
                "sd": plain["value"].std(ddof=1) if many else np.nan,
                "uncertainty": plain["uncertainty"].mean() if len(plain) else np.nan,
                "expanded": plain["expanded"].mean() if len(plain) else np.nan,
                "n": len(plain),
                "n_limited": int(limited.sum()),
                "hours_first": group["stylus_hours"].min(),
                "hours_last": group["stylus_hours"].max(),
                "records": ", ".join(sorted({f"{r} {s}" for r, s in _sides(group)})),
                "copies": ", ".join(sorted(set(group["copy"].dropna()))),
                "chains": ", ".join(sorted(set(group["chain"]))),
            }
        )
    table = pd.DataFrame(rows, columns=list(COMPARISON.names))
    side_by_side = table.groupby(["metric", "channel"])[list(CONDITIONS)].nunique()
    differs_in = {
        place: ", ".join(name for name in CONDITIONS if row[name] > 1)
        for place, row in side_by_side.iterrows()
    }
    places = zip(table["metric"], table["channel"], strict=True)
    table["differs_in"] = [differs_in[place] for place in places]
    return table


def comparison_curves(
    captures: pd.DataFrame,
    response: pd.DataFrame,
    styli: pd.DataFrame,
    settings: Mapping[str, Any],
) -> pd.DataFrame:
    """Return the mean response relative to 1 kHz of every stylus and channel over the same hours.

    Returns
    -------
    DataFrame
        Columns `CURVE_COLUMNS`, by stylus, channel and frequency.
    """
    kept = compared_captures(captures, styli, settings)
    curves = channel_curves(response[response["capture"].isin(kept["capture"])])
    parts = []
    for place, group in kept.groupby(["cartridge", "stylus"], sort=True):
        cartridge, stylus = (str(part) for part in place)
        for channel in ("left", "right"):
            own = [curves[c, channel] for c in group["capture"] if (c, channel) in curves]
            if own:
                frame = pd.DataFrame(mean_curve(own)._asdict())
                parts.append(frame.assign(cartridge=cartridge, stylus=stylus, channel=channel))
    if not parts:
        return pd.DataFrame(columns=list(CURVE_COLUMNS))
    return pd.concat(parts, ignore_index=True)[list(CURVE_COLUMNS)]


def _sides(group: pd.DataFrame) -> set[tuple[str, str]]:
    return set(zip(group["record"], group["side"], strict=True))
