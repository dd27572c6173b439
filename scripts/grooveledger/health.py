"""Whether a capture can be measured, and what a person should know of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from grooveledger.alignment import Alignment, Match
from grooveledger.envelope import FileFacts
from grooveledger.plan import Side, Track
from grooveledger.stretches import Heard

OK, FLAGGED, REJECTED = "ok", "flagged", "rejected"


@dataclass(frozen=True)
class Part:
    """A planned track, or an unexpected stretch, in the capture; times None where missing."""

    track: Track | None
    match: str
    start_s: float | None = None
    stop_s: float | None = None
    heard: Match | None = None
    remark: str = ""


class Verdict(NamedTuple):
    """Status, its reason, and whether the channels are as_named, exchanged or unknown."""

    status: str
    reason: str
    channel_order: str


def judge(
    heard: Heard,
    facts: FileFacts,
    side: Side,
    alignment: Alignment,
    parts: Sequence[Part],
    others: Mapping[str, Alignment],
    settings: Mapping[str, Any],
) -> Verdict:
    """Judge a capture by its file, and by how its stretches fit the plan."""
    order = _channel_order(alignment, parts)
    if facts.peak == 0.0:
        return Verdict(REJECTED, "digital silence: the recorder's input was off", order)
    if not alignment.matches:
        return Verdict(REJECTED, f"no track of {_name(side)} was found", order)
    missing = [part.track.track for part in parts if part.track and part.match == "missing"]
    reasons = []
    if missing:
        reasons.append(f"tracks not found: {', '.join(map(str, missing))}")
    return Verdict(FLAGGED if reasons else OK, "; ".join(reasons), order)


def _channel_order(alignment: Alignment, parts: Sequence[Part]) -> str:
    one_sided = [
        part
        for part in parts
        if part.heard and part.track and part.track.modulation in ("left", "right")
    ]
    if not one_sided:
        return "unknown"
    return "exchanged" if alignment.assumption.exchanged else "as_named"


def _name(side: Side) -> str:
    return f"side {side.side} of {side.record}"
