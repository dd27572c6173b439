"""What to measure next: the captures that would tell most."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from grooveledger.interpret.drift.covariates import CHAIN, RECORD, RECORD_PLAYS, TEMPERATURE, named
from grooveledger.interpret.drift.rows import Row
from grooveledger.interpret.drift.sentences import is_known
from grooveledger.interpret.drift.settings import Settings
from grooveledger.interpret.drift.states import records
from grooveledger.schemas.interpret import ADVICE

#: A limit's interval wider than this share of its hours is worth a capture to narrow it.
WIDE_SHARE = 0.25
#: With captures to come at a third of the way to the limit, two more lie before it.
NEXT_SHARE = 1.0 / 3.0


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
        The columns of the table `advice`, sorted by stylus and priority.
    """
    chosen = Settings.from_mapping(settings)
    measured = captures[captures["status"] != "rejected"]
    found: list[Row] = []
    for stylus in sorted(styli["stylus"].astype(str)):
        own = measured[measured["stylus"] == stylus].sort_values(["stylus_hours", "capture"])
        if not len(own):
            continue
        rows = records(drift[drift["stylus"] == stylus])
        flagged = records(control[(control["stylus"] == stylus) & control["flagged"].eq(True)])
        said = _of_stylus(rows, flagged, own, chosen)
        found += [
            {"stylus": stylus, "priority": place, "advice": advice, "n_figures": count}
            for place, (advice, count) in enumerate(said, start=1)
        ]
    return pd.DataFrame(found, columns=list(ADVICE.names))


def _of_stylus(
    rows: list[Row], flagged: list[Row], own: pd.DataFrame, settings: Settings
) -> Iterator[tuple[str, int]]:
    """Yield advice and the number of figures it concerns, the most telling first."""
    newest = own.iloc[-1]
    last = own.loc[own["stylus_hours"] == newest["stylus_hours"], "capture"]
    surprising = [row for row in flagged if row["capture"] in set(last)]
    if surprising:
        lie = "lie" if len(surprising) > 1 else "lies"
        repeated = sorted({str(row["capture"]) for row in surprising})
        yield (
            f"Look at the stylus under a glass for dust, then repeat capture "
            f"{' and '.join(repeated)}: {len(surprising)} of the newest figures {lie} outside what "
            "the captures before foretell. Clean a stylus only as its maker says.",
            len(surprising),
        )
    few = [row for row in rows if row["verdict"] == "too_few"]
    # A figure or two that few captures hold are no reason to put off the rest.
    scarce = 2 * len(few) > len(rows)
    if scarce:
        yield from _more_captures(few, rows, settings)
    for name, say in _SEPARATE.items():
        count = sum(name in named(row["confounded_with"]) for row in rows)
        if count:
            yield say(own), count
    if rows and not any(is_known(row["repeatability_sd"]) for row in rows):
        yield (
            "Capture one record side twice on one day, with nothing touched in between: it tells "
            "how far captures repeat.",
            len(rows),
        )
    ahead = [row for row in rows if _ahead(row)]
    first = min(ahead, key=lambda row: float(row["hours_at_limit"]), default=None)
    if first is not None and _wide(first):
        now = float(newest["stylus_hours"])
        at = now + NEXT_SHARE * (float(first["hours_at_limit"]) - now)
        yield (
            f"Capture again at about {at:.0f} h: the hours at which the first limit is met are "
            "known only roughly.",
            sum(map(_wide, ahead)),
        )
    if not scarce:
        yield from _more_captures(few, rows, settings)


def _more_captures(
    few: list[Row], rows: list[Row], settings: Settings
) -> Iterator[tuple[str, int]]:
    if not few:
        return
    missing = settings.minimum_captures - max(int(row["n"]) for row in few)
    if missing > 0:
        some = f" for {len(few)} of its {len(rows)} figures" if len(few) < len(rows) else ""
        yield (
            f"Make {missing} more capture{'s' if missing > 1 else ''}, spread over the hours: "
            f"a trend needs {settings.minimum_captures} after break-in{some}.",
            len(few),
        )


def _ahead(row: Row) -> bool:
    """Whether a figure moves towards a limit that it will meet."""
    moves = row["verdict"] in ("drifting", "confounded")
    at = row["hours_at_limit"]
    return moves and is_known(at) and float(at) > float(row["hours_last"])


def _wide(row: Row) -> bool:
    """Whether the hours at which a limit will be met are known only roughly."""
    at, high = row["hours_at_limit"], row["hours_at_limit_high"]
    low = row["hours_at_limit_low"] if is_known(row["hours_at_limit_low"]) else 0.0
    return not is_known(high) or float(high) - float(low) > WIDE_SHARE * float(at)


def _another_record(own: pd.DataFrame) -> str:
    sides = "record " + own["record"].astype(str) + ", side " + own["side"].astype(str)
    return (
        f"Capture another, little-played copy of {sides.mode().iloc[0]}, now and again later, or "
        "play the old copy with another stylus of this type that has far fewer hours: either "
        "tells the record's wear from the stylus's."
    )


def _another_temperature(own: pd.DataFrame) -> str:
    known = own["temperature_c"].dropna().to_numpy(dtype=float)
    early, late = known[: len(known) // 2], known[len(known) // 2 :]
    wanted = np.median(early) if len(early) else np.median(late)
    return (
        f"Repeat a capture with the room at about {wanted:.0f} \N{DEGREE SIGN}C, as it was at the "
        "first captures: temperature has moved with the hours."
    )


def _earlier_chain(own: pd.DataFrame) -> str:
    return (
        f"Repeat a capture on chain {_last_other(own, 'chain')}: the chain changed with the "
        "hours. Turn the level down and the power off before changing cables."
    )


def _earlier_record(own: pd.DataFrame) -> str:
    other = _last_other(own, "record")
    return f"Play record {other} again: the record or its side changed with the hours."


def _last_other(own: pd.DataFrame, column: str) -> str:
    labels = own[column].astype(str)
    others = labels[labels != labels.iloc[-1]]
    return str(others.iloc[-1]) if len(others) else str(labels.iloc[-1])


_SEPARATE = {
    RECORD_PLAYS: _another_record,
    CHAIN: _earlier_chain,
    RECORD: _earlier_record,
    TEMPERATURE: _another_temperature,
}
