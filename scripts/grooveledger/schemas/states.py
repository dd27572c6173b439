"""The words that tables use for how a capture, a track or a figure stands."""

from enum import StrEnum


class Status(StrEnum):
    """Whether a capture can be measured."""

    OK = "ok"
    FLAGGED = "flagged"
    REJECTED = "rejected"


class TrackMatch(StrEnum):
    """Whether a planned track was located, or a stretch of sound belongs to no track."""

    FOUND = "found"
    MISSING = "missing"
    UNEXPECTED = "unexpected"


class Verdict(StrEnum):
    """What drift concludes on a figure."""

    STEADY = "steady"
    DRIFTING = "drifting"
    PAST_LIMIT = "past_limit"
    TOO_FEW = "too_few"
    CONFOUNDED = "confounded"


#: Verdicts on a figure that moves, the gravest first.
MOVING = (Verdict.PAST_LIMIT, Verdict.DRIFTING, Verdict.CONFOUNDED)
#: All verdicts, the gravest first.
GRAVITY = (*MOVING, Verdict.STEADY, Verdict.TOO_FEW)
