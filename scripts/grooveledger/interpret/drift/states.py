"""How each stylus stands, one row a stylus."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from grooveledger.interpret.drift import sentences
from grooveledger.interpret.drift.rows import Row
from grooveledger.interpret.drift.settings import Settings
from grooveledger.schemas.interpret import STYLUS_STATES

#: From the gravest on.
GRAVITY = ("past_limit", "drifting", "confounded", "steady", "too_few")


def stylus_states(
    drift: pd.DataFrame, captures: pd.DataFrame, styli: pd.DataFrame, settings: Mapping[str, Any]
) -> pd.DataFrame:
    """Say of each stylus when it is due, by which figure, and all in one sentence.

    Parameters
    ----------
    drift : pandas.DataFrame
        As `drift_table` returns it.
    captures, styli : pandas.DataFrame
        The table and the sheet of those names.
    settings : mapping
        The configuration's drift block.

    Returns
    -------
    pandas.DataFrame
        The columns of the table `stylus_states`, one row a stylus of the sheet, sorted. Due is the
        earliest limit that a moving figure meets.
    """
    chosen = Settings.from_mapping(settings)
    measured = captures[captures["status"] != "rejected"]
    rows = [
        _state(
            str(stylus),
            str(cartridge),
            records(drift[drift["stylus"] == stylus]),
            measured.loc[measured["stylus"] == stylus, "stylus_hours"],
            chosen.minimum_captures,
        )
        for stylus, cartridge in sorted(zip(styli["stylus"], styli["cartridge"], strict=True))
    ]
    return pd.DataFrame(rows, columns=list(STYLUS_STATES.names))


def records(table: pd.DataFrame) -> list[Row]:
    """Return a table's rows as dicts with text keys; null text is None, a null number NaN."""
    numbers = set(table.select_dtypes(["number", "bool"]).columns)
    return [
        {
            str(name): value if name in numbers or isinstance(value, str) else None
            for name, value in row.items()
        }
        for row in table.to_dict("records")
    ]


def _state(
    stylus: str, cartridge: str, rows: list[Row], hours: "pd.Series", minimum_captures: int
) -> Row:
    moving = [row for row in rows if row["verdict"] in sentences.MOVING]
    reached = [row for row in moving if sentences.is_known(row["hours_at_limit"])]
    due = min(reached, key=lambda row: float(row["hours_at_limit"]), default=None)
    verdicts = {row["verdict"] for row in rows}
    known_hours = hours.dropna()
    return {
        "stylus": stylus,
        "cartridge": cartridge,
        "hours_now": float(known_hours.max()) if len(known_hours) else np.nan,
        "n_captures": len(hours),
        "verdict": next((word for word in GRAVITY if word in verdicts), "too_few"),
        "due_hours": due["hours_at_limit"] if due else np.nan,
        "due_low": due["hours_at_limit_low"] if due else np.nan,
        "due_high": due["hours_at_limit_high"] if due else np.nan,
        "due_metric": due["metric"] if due else None,
        "due_channel": due["channel"] if due else None,
        "n_moving": len(moving),
        "sentence": sentences.sentence(rows, due, minimum_captures),
    }
