"""What to measure next: the captures that would say most."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from grooveledger.interpret.drift.covariates import CHAIN, RECORD, RECORD_PLAYS, TEMPERATURE, named
from grooveledger.interpret.drift.fits import MINIMUM_SPAN_HOURS
from grooveledger.interpret.drift.sentences import Row, is_known, of_stylus
from grooveledger.interpret.drift.settings import Settings
from grooveledger.interpret.drift.states import records, retired
from grooveledger.schemas.interpret import ADVICE
from grooveledger.schemas.states import Status, Verdict

#: A limit's interval wider than this share of its hours is worth a capture to narrow it.
WIDE_SHARE = 0.25
#: With captures to come at a third of the way to the limit, two more lie before it.
NEXT_SHARE = 1.0 / 3.0
#: More advice than this is not followed.
PIECES_AT_MOST = 3


def advice_table(
    drift: pd.DataFrame,
    control: pd.DataFrame,
    captures: pd.DataFrame,
    styli: pd.DataFrame,
    settings: Mapping[str, Any],
) -> pd.DataFrame:
    """Say which captures would separate, confirm or narrow what the drift table leaves open.

    Parameters
    ----------
    drift, control : pandas.DataFrame
        As `drift_table` and `control_table` return them.
    captures, styli : pandas.DataFrame
        The table and the sheet of those names.
    settings : mapping
        The configuration's drift block.

    Returns
    -------
    pandas.DataFrame
        The columns of the table `advice`, sorted by stylus and priority; none for a retired stylus.
    """
    chosen = Settings.from_mapping(settings)
    measured = captures[captures["status"] != Status.REJECTED]
    replaced = retired(captures, styli)
    found: list[Row] = []
    for stylus in sorted(styli["stylus"].astype(str)):
        own = measured[(measured["stylus"] == stylus) & measured["stylus_hours"].notna()]
        own = own.sort_values(["stylus_hours", "capture"])
        if not len(own) or stylus in replaced:
            continue
        rows = records(drift[drift["stylus"] == stylus])
        flagged = records(control[(control["stylus"] == stylus) & control["flagged"].eq(True)])
        said = list(_of_stylus(rows, flagged, own, chosen))[:PIECES_AT_MOST]
        found += [
            {"stylus": stylus, "priority": place, "advice": advice, "n_figures": count}
            for place, (advice, count) in enumerate(said, start=1)
        ]
    return pd.DataFrame(found, columns=list(ADVICE.names))


def _of_stylus(
    rows: list[Row], flagged: list[Row], own: pd.DataFrame, settings: Settings
) -> Iterator[tuple[str, int]]:
    """Yield advice and the number of figures it concerns, the most useful first."""
    newest = own.iloc[-1]
    last = set(own.loc[own["stylus_hours"] == newest["stylus_hours"], "capture"])
    surprising = [row for row in flagged if row["capture"] in last]
    if surprising:
        lie = "figures lie" if len(surprising) > 1 else "figure lies"
        repeated = sorted({str(row["capture"]) for row in surprising})
        yield (
            f"Look at the stylus under a magnifier for dust, then repeat capture "
            f"{' and '.join(repeated)}: {len(surprising)} {lie} outside what the days before "
            "predict. Clean a stylus only as its maker says.",
            len(surprising),
        )
    wear = of_stylus(rows)
    # A figure that is a bound every time gains nothing from more captures.
    few = [row for row in wear if row["verdict"] == Verdict.TOO_FEW and _measured(row)]
    scarce = 2 * len(few) > len(wear)
    if scarce:
        yield from _more_captures(few, settings)
    for name, say in _SEPARATE.items():
        count = sum(
            row["verdict"] == Verdict.CONFOUNDED and name in named(row["confounded_with"])
            for row in wear
        )
        said = say(own) if count else None
        if said:
            yield said, count
    ahead = [row for row in wear if _ahead(row)]
    first = min(ahead, key=lambda row: float(row["hours_at_limit"]), default=None)
    if first is not None and _wide(first):
        now = float(newest["stylus_hours"])
        at = now + NEXT_SHARE * (float(first["hours_at_limit"]) - now)
        yield (
            f"Capture again at about {at:.0f} h: the hours at which the first limit is met are "
            "known only roughly.",
            sum(map(_wide, ahead)),
        )
    if wear and not scarce and not any(is_known(row["repeatability_sd"]) for row in wear):
        yield (
            "Capture one record side twice on one day, with nothing touched in between: it shows "
            "how far captures repeat.",
            len(wear),
        )


def _measured(row: Row) -> bool:
    return bool((row["n"] or 0) + (row["n_break_in"] or 0) > 0)


def _more_captures(few: list[Row], settings: Settings) -> Iterator[tuple[str, int]]:
    days = max((int(np.nan_to_num(row["n_days"] or 0)) for row in few), default=0)
    missing = settings.minimum_captures - days
    if missing > 0:
        yield (
            f"Make {missing} more capture{'s' if missing > 1 else ''} on "
            f"{'days of their own, spread over the hours' if missing > 1 else 'another day'}: a "
            f"trend needs {settings.minimum_captures} days after break-in.",
            len(few),
        )
        return
    spans = [float(row["hours_last"]) - float(row["hours_first"]) for row in few]
    if max(spans, default=np.nan) < MINIMUM_SPAN_HOURS:
        yield (
            f"Capture again after {MINIMUM_SPAN_HOURS:.0f} h more of play: the captures after "
            "break-in lie too close together for a trend.",
            len(few),
        )


def _ahead(row: Row) -> bool:
    """Return whether a figure moves towards a limit that it will meet."""
    moves = row["verdict"] in (Verdict.DRIFTING, Verdict.CONFOUNDED)
    at = row["hours_at_limit"]
    return moves and is_known(at) and float(at) > float(row["hours_last"])


def _wide(row: Row) -> bool:
    """Return whether the hours at which a limit will be met are known only roughly."""
    at, high = row["hours_at_limit"], row["hours_at_limit_high"]
    low = row["hours_at_limit_low"] if is_known(row["hours_at_limit_low"]) else 0.0
    return not is_known(high) or float(high) - float(low) > WIDE_SHARE * float(at)


def _another_record(own: pd.DataFrame) -> str:
    sides = "record " + own["record"].astype(str) + ", side " + own["side"].astype(str)
    return (
        f"Capture another, little-played copy of {sides.mode().iloc[0]}, now and again later, or "
        "play the old copy with another stylus of this type that has far fewer hours: either "
        "separates the record's wear from the stylus's."
    )


def _another_temperature(own: pd.DataFrame) -> str:
    known = own["temperature_c"].dropna().to_numpy(dtype=float)
    early, late = known[: len(known) // 2], known[len(known) // 2 :]
    wanted = np.median(early) if len(early) else np.median(late)
    return (
        f"Repeat a capture with the room at about {wanted:.0f} \N{DEGREE SIGN}C, as it was at the "
        "first captures: temperature has moved with the hours."
    )


def _earlier_chain(own: pd.DataFrame) -> str | None:
    other = _last_other(own, "chain")
    if other is None:
        return None
    return (
        f"If chain {other} is still to be had, repeat a capture on it: the chain changed with the "
        "hours. Turn the level down and the power off before changing cables."
    )


def _earlier_record(own: pd.DataFrame) -> str | None:
    other = _last_other(own, "record")
    if other is None:
        return None
    return f"Play record {other} again: the record changed with the hours."


def _last_other(own: pd.DataFrame, column: str) -> str | None:
    labels = own[column].astype(str)
    others = labels[labels != labels.iloc[-1]]
    return str(others.iloc[-1]) if len(others) else None


_SEPARATE = {
    RECORD_PLAYS: _another_record,
    CHAIN: _earlier_chain,
    RECORD: _earlier_record,
    TEMPERATURE: _another_temperature,
}
