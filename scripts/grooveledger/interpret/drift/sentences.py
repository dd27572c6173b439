"""What the drift table means, in sentences a person reads."""

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from grooveledger.interpret.drift.covariates import CHAIN, RECORD, RECORD_PLAYS, TEMPERATURE, named
from grooveledger.interpret.drift.fits import MINIMUM_SPAN_HOURS
from grooveledger.interpret.drift.rows import BLAME_SIGNIFICANCE
from grooveledger.measure.declaration import Group
from grooveledger.schemas.states import MOVING, Verdict
from grooveledger.vocabulary import metric_words, words

#: One row of a table as it is read, by column.
Row = dict[str, Any]

#: What cannot be separated from wear, as the sentence ends.
CONFOUNDED = {
    CHAIN: "wear and the change of chain cannot be separated",
    RECORD: "wear and the change of record cannot be separated",
    RECORD_PLAYS: "wear of stylus and record cannot be separated on this record",
    TEMPERATURE: "wear and the room's temperature cannot be separated",
}
#: The figure whose slope is stated where nothing moves: what wears first.
WATCHED = "response_10khz_db"
#: A serial correlation from here on is worth a word.
ALIKE_IN_TIME = 0.35


def is_known(value: float | None) -> bool:
    """Return whether a value is a number, not null."""
    return value is not None and bool(np.isfinite(value))


def of_stylus(rows: Sequence[Row]) -> list[Row]:
    """Return the rows that speak of tip and suspension: they alone decide on a stylus."""
    return [row for row in rows if row.get("group") in (None, str(Group.STYLUS))]


def sentence(rows: Sequence[Row], due: Row | None, minimum_captures: int) -> str:
    """Say in one sentence how a stylus stands.

    Parameters
    ----------
    rows : sequence of dict
        Its rows of the drift table.
    due : dict or None
        The one that is due first.
    minimum_captures : int
        Fewer days of captures than this are too few.
    """
    own = of_stylus(rows)
    fitted = [row for row in own if row["verdict"] != Verdict.TOO_FEW]
    if not fitted:
        return _too_few(own or list(rows), minimum_captures)
    moving = [row for row in fitted if row["verdict"] in MOVING]
    if not moving:
        return _steady(fitted) + _step(fitted) + _conditions(fitted) + "."
    lead = due or min(moving, key=lambda row: (float(row["p_adjusted"]), row["metric"]))
    parts = [_movement(lead) + _limit(lead)]
    part = record_part(lead)
    if part:
        parts.append(part)
    parts += [CONFOUNDED[name] for name in named(lead["confounded_with"])]
    others = len(moving) - 1
    if others:
        parts.append(f"{others} other figure{'s move' if others > 1 else ' moves'}")
    return "; ".join(parts) + _step(fitted) + _conditions(fitted) + "."


def elsewhere(rows: Sequence[Row]) -> str | None:
    """Say what moves that is not the stylus's; None where nothing does."""
    others = [row for row in rows if row not in of_stylus(rows) and row["verdict"] in MOVING]
    if not others:
        return None
    said = []
    for group in sorted({str(row["group"]) for row in others}):
        names = {row["metric"] for row in others if row["group"] == group}
        words_of = sorted(map(metric_words.metric_within, names))
        said.append(f"{', '.join(words_of)} (of the {group})")
    verb = "move" if len({row["metric"] for row in others}) > 1 else "moves"
    return f"What also {verb}, but says nothing of the stylus: {'; '.join(said)}."


def evidence(rows: Sequence[Row]) -> str | None:
    """Say how many figures of tip and suspension move, by quantity; None where none does."""
    own = of_stylus(rows)
    moving = [row for row in own if row["verdict"] in MOVING]
    if not moving:
        return None
    counts = Counter(metric_words.method_page(row["metric"]) or "others" for row in moving)
    said = ", ".join(
        f"{quantity.replace('_', ' ')} ({count})" for quantity, count in counts.most_common()
    )
    verb = "moves" if len(moving) == 1 else "move"
    return f"{len(moving)} of {len(own)} figures of tip and suspension {verb}: {said}."


def _too_few(rows: Sequence[Row], minimum_captures: int) -> str:
    days = max((int(_or_zero(row["n_days"])) for row in rows), default=0)
    captures = max((int(_or_zero(row["n"])) for row in rows), default=0)
    break_in = max((int(_or_zero(row["n_break_in"])) for row in rows), default=0)
    if not days and not captures and break_in:
        return f"All {break_in} captures lie within the break-in: nothing can be said of wear yet."
    if days >= minimum_captures:
        span = max(_or_zero(row["hours_last"]) - _or_zero(row["hours_first"]) for row in rows)
        if span < MINIMUM_SPAN_HOURS:
            return (
                f"The captures after break-in span {np.floor(span):.0f} h: a trend needs "
                f"{MINIMUM_SPAN_HOURS:.0f} h."
            )
        alike = max((_or_zero(row.get("serial_correlation")) for row in rows), default=0.0)
        if alike >= ALIKE_IN_TIME:
            return (
                f"Whether it wears is not yet known: neighbouring days may be alike (correlation "
                f"up to {alike:.1f}), so that {days} days of captures count as few."
            )
        return "The captures after break-in cannot yet separate a trend from their conditions."
    counted = days or captures
    return (
        f"Too few captures after break-in: {counted} of the {minimum_captures} days "
        "that a trend needs."
    )


def _or_zero(value: float | None) -> float:
    return float(value) if value is not None and np.isfinite(value) else 0.0


def _movement(row: Row) -> str:
    """Say what moves, which way, how fast, from where to where."""
    slope = float(row["slope_per_100h"])
    way = "falling" if slope < 0.0 else "rising"
    size = words.number(abs(slope), words.places_for(abs(slope), row["unit"]))
    rate = f"{way} {size}\N{NO-BREAK SPACE}{words.change_unit(row['unit'])} per 100 h"
    start, _, place = row["metric"].removesuffix("_db").partition("_")
    if start == "response" and place.endswith("hz") and place[0].isdigit():
        at = "at" + metric_words.metric(row["metric"]).partition(" at")[2]
        said = f"{row['channel'].capitalize()} channel {rate} {at}"
    else:
        channel = f", {row['channel']} channel," if row["channel"] in ("left", "right") else ""
        said = f"{metric_words.metric(row['metric'])}{channel} {rate}"
    if row["verdict"] == Verdict.PAST_LIMIT and abs(row["change_observed"] or 0.0) < (
        row["least_change"] or 0.0
    ):
        said = said.replace(f" {rate}", "")
    if is_known(row.get("value_now")) and is_known(row["baseline_value"]):
        before = words.figure(row["baseline_value"], row["unit"])
        now = words.with_unit(row["value_now"], row["unit"])
        said += f", from {before} to {now}"
    return said


def _limit(row: Row) -> str:
    """Say when the limit is met, and how well that is known."""
    if not is_known(row["limit_value"]):
        return ""
    at, low, high = (row[f"hours_at_limit{end}"] for end in ("", "_low", "_high"))
    last = float(row["hours_last"])
    if row["verdict"] == Verdict.PAST_LIMIT:
        if not (is_known(high) and is_known(at)):
            return "; past its limit"
        latest = f"{max(last - high, 0.0):.0f}"
        if is_known(low):
            return f"; limit passed {last - at:.0f} h ago ({latest} to {last - low:.0f} h)"
        return f"; limit passed {last - at:.0f} h ago, at least {latest} h"
    beyond = " (extrapolated)" if is_known(high) and high > last else ""
    if is_known(low) and is_known(high):
        return f"; limit reached between {low:.0f} and {high:.0f} h{beyond}"
    if is_known(low):
        return f"; limit not reached before {low:.0f} h, when is not yet known"
    return "; when it reaches its limit is not yet known"


def record_part(row: Row) -> str | None:
    """Say which part of a change is the record's; None where it has none for certain."""
    part, change = row.get("record_part"), row.get("change_observed")
    p = row["p_record_wear"]
    if part is None or change is None or not (is_known(part) and is_known(change)):
        return None
    if not is_known(p) or p >= BLAME_SIGNIFICANCE:
        return None
    total, own = float(part) + float(change), float(part)
    unit = row["unit"]
    if abs(own) < (row["least_change"] or 0.0):
        return None
    if total * own <= 0.0 or abs(own) > abs(total):
        return f"the record's wear alone changes it by {words.with_unit(own, unit, signed=True)}"
    way = "fall" if total < 0.0 else "rise"
    return (
        f"of the {way} of {words.with_unit(abs(total), unit)}, "
        f"{words.with_unit(abs(own), unit)} are the record's"
    )


def _steady(fitted: Sequence[Row]) -> str:
    """Say that nothing moves, and how well that is known."""
    first = min(float(row["hours_first"]) for row in fitted)
    last = max(float(row["hours_last"]) for row in fitted)
    said = "No figure moves beyond chance and what is worth reporting "
    said += f"from {first:.0f} to {last:.0f} h"
    watched = [row for row in fitted if row["metric"] == WATCHED]
    if not watched:
        return said
    slowest = max(abs(float(row[end])) for row in watched for end in ("slope_low", "slope_high"))
    # A bound wider than the limit itself says nothing.
    widest = max(
        abs(_or_zero(row["limit_value"]) - _or_zero(row["baseline_value"])) for row in watched
    )
    if slowest * (last - first) / 100.0 > widest:
        return said
    # Rounded up: "less than" has to stay true.
    bound = np.ceil(slowest * 10.0) / 10.0
    return f"{said}; at 10 kHz by less than {words.with_unit(bound, 'dB')} per 100 h"


def _step(fitted: Sequence[Row]) -> str:
    """Say where figures step."""
    stepped = [row for row in fitted if is_known(row["change_at_hours"])]
    if not stepped:
        return ""
    places = [float(row["change_at_hours"]) for row in stepped]
    counts = {place: places.count(place) for place in sorted(places)}
    place = max(counts, key=lambda at: counts[at])
    row = stepped[places.index(place)]
    low, high = row.get("change_low_hours"), row.get("change_high_hours")
    between = f"between {low:.0f} and {high:.0f} h" if is_known(low) and is_known(high) else ""
    where = between or f"at about {place:.0f} h"
    if counts[place] == 1:
        name = metric_words.metric_within(row["metric"])
        return f"; {name} changed suddenly {where}"
    return f"; {counts[place]} figures changed suddenly {where}"


def _conditions(fitted: Sequence[Row]) -> str:
    """Say what bears on all figures: settling that went on, days that are alike."""
    said = ""
    alike = max((_or_zero(row.get("serial_correlation")) for row in fitted), default=0.0)
    if alike >= ALIKE_IN_TIME:
        said += (
            f"; neighbouring days may be alike (correlation up to {alike:.1f}), which widens every "
            "interval"
        )
    return said
