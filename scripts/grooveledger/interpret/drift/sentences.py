"""What the drift table means, in sentences a person reads."""

from collections.abc import Sequence

import numpy as np

from grooveledger.interpret.drift.covariates import CHAIN, RECORD, RECORD_PLAYS, TEMPERATURE, named
from grooveledger.interpret.drift.rows import BLAME_SIGNIFICANCE, Row
from grooveledger.vocabulary import metric_words, words

#: What cannot be told apart, as the sentence ends.
CONFOUNDED = {
    CHAIN: "the change of chain cannot be told apart",
    RECORD: "the change of record cannot be told apart",
    RECORD_PLAYS: "record wear cannot be told apart on this record",
    TEMPERATURE: "the room's temperature cannot be told apart",
}
MOVING = ("past_limit", "drifting", "confounded")
#: Figures with a step at one place, as a share of those fitted, that make it worth a word.
STEP_SHARE = 0.1
#: The figure whose slope is told where nothing moves: what wears first.
WATCHED = "response_10khz_db"


def is_known(value: float | None) -> bool:
    """Tell a number from null."""
    return value is not None and bool(np.isfinite(value))


def sentence(rows: Sequence[Row], due: Row | None, minimum_captures: int) -> str:
    """Say in one sentence how a stylus stands.

    Parameters
    ----------
    rows : sequence of dict
        Its rows of the drift table.
    due : dict or None
        The one that is due first.
    minimum_captures : int
        Fewer captures than this are too few.
    """
    fitted = [row for row in rows if row["verdict"] != "too_few"]
    if not fitted:
        most = max((int(row["n"]) for row in rows), default=0)
        return (
            f"Too few captures after break-in to tell: {most} of the {minimum_captures} "
            "that a trend needs."
        )
    moving = [row for row in fitted if row["verdict"] in MOVING]
    if not moving:
        return _steady(fitted) + _step(fitted) + "."
    lead = due or min(moving, key=lambda row: (float(row["p_adjusted"]), row["metric"]))
    parts = [_movement(lead) + _limit(lead)]
    if is_known(lead["p_record_wear"]) and lead["p_record_wear"] < BLAME_SIGNIFICANCE:
        wear = words.with_unit(abs(lead["record_wear_per_100_plays"]), lead["unit"])
        parts.append(f"the record itself accounts for {wear} per 100 plays")
    parts += [CONFOUNDED[name] for name in named(lead["confounded_with"])]
    others = len(moving) - 1
    if others:
        parts.append(f"{others} other figure{'s move' if others > 1 else ' moves'}")
    return "; ".join(parts) + _step(fitted) + "."


def _movement(row: Row) -> str:
    """Say what moves, which way and how fast."""
    slope = float(row["slope_per_100h"])
    way = "falling" if slope < 0.0 else "rising"
    size = words.number(abs(slope), words.places_for(abs(slope), row["unit"]))
    rate = f"{way} {size}\N{NO-BREAK SPACE}{words.unit(row['unit'])} per 100 h"
    start, _, place = row["metric"].removesuffix("_db").partition("_")
    if start == "response" and place.endswith("hz") and place[0].isdigit():
        at = _at(metric_words.metric(row["metric"]))
        return f"{row['channel'].capitalize()} channel {rate} {at}"
    channel = f", {row['channel']} channel," if row["channel"] in ("left", "right") else ""
    return f"{metric_words.metric(row['metric'])}{channel} {rate}"


def _at(metric: str) -> str:
    return "at" + metric.partition(" at")[2]


def _limit(row: Row) -> str:
    """Say when the limit is met."""
    at, low, high = (row[f"hours_at_limit{end}"] for end in ("", "_low", "_high"))
    if row["verdict"] == "past_limit":
        return f"; limit passed at about {at:.0f} h" if is_known(at) else "; past its limit"
    if not is_known(at):
        return ""
    if is_known(low) and is_known(high):
        return f"; limit reached between {low:.0f} and {high:.0f} h"
    if is_known(low):
        return f"; limit reached at about {at:.0f} h, not before {low:.0f} h"
    return f"; limit reached at about {at:.0f} h, which is uncertain"


def _steady(fitted: Sequence[Row]) -> str:
    """Say that nothing moves, and how well that is known."""
    first = min(float(row["hours_first"]) for row in fitted)
    last = max(float(row["hours_last"]) for row in fitted)
    said = f"No figure moves beyond its scatter from {first:.0f} to {last:.0f} h"
    watched = [row for row in fitted if row["metric"] == WATCHED]
    if not watched:
        return said
    slowest = max(abs(float(row[end])) for row in watched for end in ("slope_low", "slope_high"))
    # Rounded up: "less than" has to stay true.
    bound = np.ceil(slowest * 10.0) / 10.0
    return f"{said}; at 10 kHz by less than {words.with_unit(bound, 'dB')} per 100 h"


def _step(fitted: Sequence[Row]) -> str:
    """Say where many figures step at once."""
    places = [float(row["change_at_hours"]) for row in fitted if is_known(row["change_at_hours"])]
    if not places:
        return ""
    counts = {place: places.count(place) for place in sorted(places)}
    place = max(counts, key=lambda at: counts[at])
    if counts[place] < max(2.0, STEP_SHARE * len(fitted)):
        return ""
    return f"; {counts[place]} figures changed suddenly at about {place:.0f} h"
