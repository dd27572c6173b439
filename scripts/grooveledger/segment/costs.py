"""What departures of a capture from its plan cost, on one scale."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Costs:
    """Costs that the alignment of stretches with planned tracks adds up; the cheapest wins.

    The unit is one step beyond a tolerance of frequency or duration. All are chosen, none is a
    standard's: what matters is how they compare with `missing` and with one another.

    Attributes
    ----------
    missing : float
        Of a planned track that is not there.
    match_max : float
        A match that costs more than this is rejected.
    unexpected, unexpected_per_s, unexpected_max : float
        Of a stretch that is not planned, by its length, up to the last.
    wrong_channel, wrong_axis : float
        Of another channel, and of lateral for vertical or the reverse.
    interrupted, interrupted_per_s, interrupted_per_s_unknown : float
        Of an interruption, and of each second of it: in a track of unknown duration (the last) it
        may as well be the gap to the next track.
    stranger : float
        Of a stretch that does not belong to the track it is joined to, above leaving it out.
    exchanged, inverted, other_speed : float
        Of an assumption about the whole capture that makes its tracks fit.
    off_line : float
        Of the part of a sweep that lies off its line.
    band : float
        Of each band of noise or tones too few or too many.
    """

    missing: float = 3.0
    match_max: float = 4.0
    unexpected: float = 0.3
    unexpected_per_s: float = 0.25
    unexpected_max: float = 2.5
    wrong_channel: float = 4.0
    wrong_axis: float = 4.0
    interrupted: float = 0.2
    interrupted_per_s: float = 1.0
    interrupted_per_s_unknown: float = 3.0
    stranger: float = 0.5
    exchanged: float = 1.5
    inverted: float = 0.5
    other_speed: float = 2.0
    off_line: float = 2.0
    band: float = 1.0


COSTS = Costs()
