"""Where the modulation of a capture begins and ends."""

from dataclasses import dataclass

import numpy as np

from grooveledger.segment.envelope import Envelope
from grooveledger.segment.silence import (
    SLOW_BANDS,
    Silence,
    dead_channels,
    exceeding,
    in_the_air,
    opened_powers,
    ratio,
    silence,
)
from grooveledger.segment.sliding import bridged, running_median, runs
from grooveledger.segment.sounding import Sounding, sounding

#: Modulation rises this much above the margin at some point; otherwise it is noise.
RISE_DB = 3.0
#: Shorter interruptions of a stretch are bridged, shorter stretches are dropped.
BRIDGE_S = 0.25
STRETCH_MIN_S = 0.25
#: Sound in the slow bands alone is a footfall, or an arm that rings on after a strong track,
#: unless it lasts this long.
SLOW_STRETCH_MIN_S = 1.5
#: Part of the slow bands' power that leaks into the lowest of the others, at most.
SLOW_LEAK = 0.03
#: An edge is sought from this long before to this long after the threshold was crossed, in the
#: bands that have at least this part of the strongest one's power.
EDGE_BEFORE_S, EDGE_INSIDE_S = 0.15, 0.4
STRONG_PART = 0.1


@dataclass(frozen=True)
class Stretch:
    """An uninterrupted stretch of modulation, in envelope frames `start` to `stop`, and in time."""

    start: int
    stop: int
    start_s: float
    stop_s: float

    @property
    def duration_s(self) -> float:
        """Its length."""
        return self.stop_s - self.start_s


def stretches(
    envelope: Envelope, powers: np.ndarray, still: Silence, bridge_s: float
) -> list[Stretch]:
    """Locate the stretches of modulation, their ends refined to an envelope frame.

    Sound in the slow bands alone makes stretches of its own: a sweep through the arm's
    resonance, which may reach up to an audible track beside it, or the part below 70 Hz of a sweep.
    """
    hop_s = envelope.hop_s
    gap = round(bridge_s / hop_s)
    heard = powers[:, :, SLOW_BANDS:].copy()
    over = powers[:, :, :SLOW_BANDS] - still.ceiling[:, None, :SLOW_BANDS]
    heard[:, :, 0] -= SLOW_LEAK * np.maximum(over, 0.0).sum(axis=2)
    well_above = exceeding(powers, ratio(RISE_DB) * still.ceiling)
    audible = _lasting(
        bridged(exceeding(heard, still.ceiling[:, SLOW_BANDS:]), gap),
        well_above,
        round(STRETCH_MIN_S / hop_s),
    )
    slow = exceeding(powers[:, :, :SLOW_BANDS], still.ceiling[:, :SLOW_BANDS]) & ~audible
    slow = bridged(slow, gap) & ~audible
    slow = _lasting(slow, well_above, round(SLOW_STRETCH_MIN_S / hop_s))
    found = []
    for start, stop in runs(audible) + runs(slow):
        start_s = edge_s(envelope, still, start, stop, rising=True)
        stop_s = edge_s(envelope, still, start, stop, rising=False)
        if stop_s > start_s:
            found.append(Stretch(start, stop, start_s, stop_s))
    return sorted(found, key=lambda stretch: stretch.start)


def _lasting(flags: np.ndarray, well_above: np.ndarray, least: int) -> np.ndarray:
    """Drop the runs that are short or barely rise above the silence."""
    out = flags.copy()
    for start, stop in runs(flags):
        if stop - start < least or well_above[start:stop].sum() < min(least, stop - start) / 2:
            out[start:stop] = False
    return out


def edge_s(envelope: Envelope, still: Silence, start: int, stop: int, *, rising: bool) -> float:
    """Return the time at which the power of a stretch crosses the half-way mark at one of its ends.

    The threshold is crossed early on a strong tone, and late where an arm rings on after its end.
    """
    frames, hop_s = len(envelope), envelope.hop_s
    before, inside = round(EDGE_BEFORE_S / hop_s), round(EDGE_INSIDE_S / hop_s)
    inside = max(min(inside, (stop - start) // 2), 1)
    # Turn time round for a falling edge, so that there is one case.
    step, edge = (1, start) if rising else (-1, frames - stop)
    first = max(edge - before, 0)
    near = slice(first, edge + 2 * inside)
    power = envelope.left[::step][near] + envelope.right[::step][near]
    proper = edge + inside - first
    floor = still.floor.sum(axis=0)
    excess = np.median(power[proper:], axis=0) - floor
    strong = excess > STRONG_PART * excess.max()
    trace = running_median(power[:, strong].sum(axis=1), 3)
    half = floor[strong].sum() + 0.5 * max(float(excess[strong].sum()), 0.0)
    below = np.flatnonzero(trace[:proper] < half)
    crossing = first + (int(below[-1]) + 1 if len(below) else 0)
    return edge_time(crossing, frames, hop_s, rising)


def edge_time(frame: int, frames: int, hop_s: float, rising: bool) -> float:
    """Return the time of a frame's beginning, counted from the end for a falling edge."""
    return (frame if rising else frames - frame) * hop_s


@dataclass(frozen=True)
class Heard:
    """A capture's envelope and everything derived from it without the description.

    Attributes
    ----------
    air : ndarray of bool, shape (frames,)
        Frames at both ends in which the needle is not in the groove.
    dead : frozenset of str
        Channels of the file that carry nothing: left, right.
    """

    envelope: Envelope
    silence: Silence
    stretches: tuple[Stretch, ...]
    sounding: Sounding
    air: np.ndarray
    dead: frozenset[str]

    @property
    def groove_s(self) -> tuple[float, float]:
        """From when to when the needle is in the groove."""
        inside = np.flatnonzero(~self.air)
        hop_s = self.envelope.hop_s
        return float(inside[0] * hop_s), float((inside[-1] + 1) * hop_s)

    def lost_s(self, least_s: float) -> list[tuple[float, float]]:
        """Return the stretches of digital silence in both channels while the needle is down."""
        nothing = (self.envelope.total_left == 0.0) & (self.envelope.total_right == 0.0)
        inside = np.flatnonzero(~(self.air | nothing))
        nothing[: inside[0] if len(inside) else None] = False
        nothing[inside[-1] + 1 if len(inside) else 0 :] = False
        hop_s = self.envelope.hop_s
        return [
            (start * hop_s, stop * hop_s)
            for start, stop in runs(nothing)
            if (stop - start) * hop_s >= least_s
        ]

    def unclaimed_s(self, claimed: set[int], start_s: float, stop_s: float) -> float:
        """Return how much of the time between two is in stretches that no track lies on."""
        return sum(
            max(min(stretch.stop_s, stop_s) - max(stretch.start_s, start_s), 0.0)
            for i, stretch in enumerate(self.stretches)
            if i not in claimed
        )

    def frames(self, start_s: float, stop_s: float) -> slice:
        """Return the envelope frames that lie wholly between two times."""
        first = int(np.ceil(start_s / self.envelope.hop_s - 1e-6))
        return slice(first, max(int(stop_s / self.envelope.hop_s + 1e-6), first))


def hear(envelope: Envelope, bridge_s: float = BRIDGE_S) -> Heard:
    """Estimate the silence of an envelope, and locate its stretches and their content.

    Interruptions of a stretch of up to `bridge_s` are bridged.
    """
    powers = opened_powers(envelope)
    air = in_the_air(envelope, powers)
    dead = dead_channels(powers)
    still = silence(envelope, powers, air)
    for channel in dead:
        still.ceiling[("left", "right").index(channel)] = np.inf
    return Heard(
        envelope=envelope,
        silence=still,
        stretches=tuple(stretches(envelope, powers, still, bridge_s)),
        sounding=sounding(envelope, powers, still),
        air=air,
        dead=dead,
    )
