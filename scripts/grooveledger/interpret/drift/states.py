"""How each stylus stands, one row a stylus."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from grooveledger.interpret.drift import sentences
from grooveledger.interpret.drift.sentences import Row
from grooveledger.interpret.drift.settings import Settings
from grooveledger.schemas.interpret import STYLUS_STATES
from grooveledger.schemas.states import GRAVITY, MOVING, Status, Verdict


def stylus_states(
    drift: pd.DataFrame,
    captures: pd.DataFrame,
    styli: pd.DataFrame,
    settings: Mapping[str, Any],
    odd: pd.DataFrame | None = None,
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
    odd : pandas.DataFrame, optional
        As `odd_captures_table` returns it.

    Returns
    -------
    pandas.DataFrame
        The columns of the table `stylus_states`, one row a stylus of the sheet, sorted. Due is the
        earliest limit that a moving figure of tip and suspension meets; a retired stylus is not
        due.
    """
    chosen = Settings.from_mapping(settings)
    measured = captures[captures["status"] != Status.REJECTED]
    replaced = retired(captures, styli)
    rows = []
    for stylus, cartridge in sorted(zip(styli["stylus"], styli["cartridge"], strict=True)):
        own = records(drift[drift["stylus"] == stylus])
        hours = measured.loc[measured["stylus"] == stylus, "stylus_hours"]
        row = _state(str(stylus), own, hours, chosen.minimum_captures, replaced.get(str(stylus)))
        row["cartridge"] = str(cartridge)
        if odd is not None and len(odd):
            said = odd.loc[odd["stylus"] == stylus, "sentence"].astype(str)
            row["odd_captures"] = " ".join(said) or None
        rows.append(row)
    return pd.DataFrame(rows, columns=list(STYLUS_STATES.names))


def retired(captures: pd.DataFrame, styli: pd.DataFrame) -> dict[str, str]:
    """Return, of each stylus that was replaced, how that is known.

    A stylus is retired on the date that the sheet gives, or where a later one of its cartridge was
    fitted and it made no capture since.
    """
    found = {}
    if "retired_on" in styli.columns:
        found = {
            str(stylus): f"Retired on {str(date)[:10]}."
            for stylus, date in zip(styli["stylus"], styli["retired_on"], strict=True)
            if str(date)[:1].isdigit()
        }
    if "fitted_on" not in styli.columns or "captured_at" not in captures.columns:
        return found
    fitted = {
        str(stylus): (str(cartridge), str(date)[:10])
        for stylus, cartridge, date in zip(
            styli["stylus"], styli["cartridge"], styli["fitted_on"], strict=True
        )
        if str(date)[:1].isdigit()
    }
    dates = captures["captured_at"].astype(str).str[:10]
    newest = dates.groupby(captures["stylus"].astype(str)).max().to_dict()
    for stylus, (cartridge, date) in fitted.items():
        later = [
            (other_date, other)
            for other, (type_id, other_date) in fitted.items()
            if type_id == cartridge and other_date > date
        ]
        if later and stylus in newest and str(newest[stylus]) < min(later)[0]:
            day, successor = min(later)
            found.setdefault(stylus, f"Retired: stylus {successor} was fitted on {day}.")
    return found


def records(table: pd.DataFrame) -> list[Row]:
    """Return a table's rows as dicts with text keys; null text is None, a null number NaN."""
    numbers = set(table.select_dtypes(["number", "bool"]).columns)
    texts = {"stylus", "cartridge", "metric", "channel", "unit", "verdict", "group", "track"}
    texts |= {"confounded_with", "separated_by"}
    return [
        {
            str(name): value
            if name in numbers or isinstance(value, str)
            else (None if name in texts else _number(value))
            for name, value in row.items()
        }
        for row in table.to_dict("records")
    ]


def _number(value: Any) -> Any:
    return np.nan if value is None or value is pd.NA else value


def _state(
    stylus: str, rows: list[Row], hours: "pd.Series", minimum_captures: int, replaced: str | None
) -> Row:
    own = sentences.of_stylus(rows)
    moving = [row for row in own if row["verdict"] in MOVING]
    passed = [row for row in moving if row["verdict"] == Verdict.PAST_LIMIT]
    reached = [row for row in passed or moving if sentences.is_known(row["hours_at_limit"])]
    due = min(reached, key=lambda row: float(row["hours_at_limit"]), default=None)
    verdicts = {row["verdict"] for row in own}
    verdict = next((word for word in GRAVITY if word in verdicts), Verdict.TOO_FEW)
    known = hours.dropna()
    if not len(hours):
        said = "No capture of this stylus was measured."
    elif not len(known):
        said = "The hours of all its captures are unknown: fill in stylus_hours or the playing log."
    else:
        lead = due or (passed[0] if passed else None)
        said = sentences.sentence(rows, lead, minimum_captures)
    later = [row for row in own if (row.get("break_in_hours") or 0.0) > 0.0]
    shown = due if replaced is None else None
    return {
        "stylus": stylus,
        "hours_now": float(known.max()) if len(known) else np.nan,
        "n_captures": len(hours),
        "verdict": verdict,
        "due_hours": shown["hours_at_limit"] if shown else np.nan,
        "due_low": shown["hours_at_limit_low"] if shown else np.nan,
        "due_high": shown["hours_at_limit_high"] if shown else np.nan,
        "due_metric": shown["metric"] if shown else None,
        "due_channel": shown["channel"] if shown else None,
        "n_moving": len(moving),
        "sentence": f"{replaced} {said}" if replaced else said,
        "evidence": sentences.evidence(rows),
        "recommendation": _recommendation(verdict, due, replaced is not None),
        "retired": replaced,
        "elsewhere": sentences.elsewhere(rows),
        "odd_captures": None,
        "break_in_hours": float(later[0]["break_in_hours"]) if later else np.nan,
    }


def _recommendation(verdict: str, due: Row | None, replaced: bool) -> str | None:
    """Say what to do with a stylus; None where nothing can be said."""
    if replaced:
        return "Do not fit it again." if verdict == Verdict.PAST_LIMIT else None
    if verdict == Verdict.PAST_LIMIT:
        return (
            "Look at the tip under a microscope before it plays good records, and replace it if "
            "that confirms the wear."
        )
    if verdict == Verdict.DRIFTING:
        known = due is not None and sentences.is_known(due["hours_at_limit_low"])
        until = f" before {due['hours_at_limit_low']:.0f} h" if due is not None and known else ""
        return f"It can play on; look at the tip under a microscope{until}."
    if verdict == Verdict.CONFOUNDED:
        return "It can play on; find out first what moves its figures."
    return "It can play on." if verdict == Verdict.STEADY else None
