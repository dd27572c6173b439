"""What is heard in an envelope: the silence level, stretches of modulation, their content."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from grooveledger.envelope import HIGH_BANDS_HZ, LOW_BANDS_HZ, SLOW_BANDS_HZ, Envelope
from grooveledger.moving import bridged, moving_mean, odd_frames, opening, running_median, runs

SLOW_BANDS, LOW_BANDS, HIGH_BANDS = len(SLOW_BANDS_HZ), len(LOW_BANDS_HZ), len(HIGH_BANDS_HZ)
#: Which of the envelope's transforms a band is of.
TRANSFORM_OF_BAND = np.repeat([0, 1, 2], [SLOW_BANDS, LOW_BANDS, HIGH_BANDS])
#: A shorter impulse in the audio bands is a tick, not modulation (common practice: 20 ms).
TICK_S = 0.035
#: The same in the low bands, whose transform spreads it over its own length of 50 ms.
LOW_TICK_S = 0.095
#: The same in the slow bands, where a thump rings with the arm's resonance.
THUMP_S = 0.4
#: Moving mean over the powers before they are compared with the silence level.
SMOOTHING_S = 0.05
SLOW_SMOOTHING_S = 0.2
#: Quantiles of a band's powers between which lies nothing but silence.
QUIET_QUANTILES = (0.02, 0.10)
#: First guess of how far silence reaches above that level, by band: narrow bands of noise swing
#: widely. The capture's own spread replaces it.
FIRST_MARGIN_DB = np.repeat([12.0, 10.0, 6.0], [SLOW_BANDS, LOW_BANDS, HIGH_BANDS])
#: Silence reaches this many of its own standard deviations (in dB) above its median, ...
MARGIN_DEVIATIONS = 5.0
#: ... and at least this far: noise changes along a side.
MARGIN_MIN_DB = np.array([8.0] * SLOW_BANDS + [5.0] * (LOW_BANDS + HIGH_BANDS))
#: Quantile that lies one standard deviation below the median of a normal distribution.
ONE_DEVIATION_BELOW = 0.16
#: Silence from which its spread can be told.
QUIET_MIN_S = 0.5
#: Stands in for zero where a logarithm or a quotient is taken: 200 dB below full scale.
TINY_POWER = 1e-20
#: Modulation rises this much further above the margin somewhere, or it is noise.
RISE_DB = 3.0
#: Shorter interruptions of a stretch are bridged, shorter stretches are dropped.
BRIDGE_S = 0.25
STRETCH_MIN_S = 0.25
#: An arm rings on at its resonance for up to this long after a strong track.
RINGING_S = 1.5
#: A needle in the air is this much quieter than the quietest groove of the capture.
AIR_DB = 6.0
AIR_SMOOTHING_S = 0.25
#: Noise has less than this part of its power in any three neighbouring bands of the audio range.
NOISE_SHARE_MAX = 0.8
#: A channel this far below the other all the time carries nothing.
DEAD_DB = 45.0
#: Interval of what is heard.
SOUNDING_S = 0.1
#: A repeating groove is told from this many turns, if it changes by this much in each.
REPEATS_MIN, REPEATED_CHANGE_OCTAVES = 3, 0.05
#: An edge is sought from this long before to this long after the threshold was crossed, in the
#: bands that have at least this part of the strongest one's power.
EDGE_BEFORE_S, EDGE_INSIDE_S = 0.15, 0.4
STRONG_PART = 0.1


@dataclass(frozen=True)
class Silence:
    """What silence is in a capture.

    Attributes
    ----------
    floor : ndarray, shape (2, bands)
        Mean power of the unmodulated groove, left and right.
    ceiling : ndarray, shape (2, bands)
        Power that it does not exceed.
    spread_db : ndarray, shape (2, bands)
        Standard deviation of its level: small where a steady hum is stronger than noise.
    moment_hz : ndarray, shape (bands,)
        The envelope's moment of the unmodulated groove.
    """

    floor: np.ndarray
    ceiling: np.ndarray
    spread_db: np.ndarray
    moment_hz: np.ndarray


class Sounding(NamedTuple):
    """What is heard, ten times a second: arrays of one shape.

    Attributes
    ----------
    time_s, frequency_hz : ndarray
        Time, and frequency of the strongest tone (NaN where nothing is heard).
    balance_db : ndarray
        Left over right.
    coherence : ndarray
        Near 1 where both channels carry the same, near -1 where they are in antiphase.
    """

    time_s: np.ndarray
    frequency_hz: np.ndarray
    balance_db: np.ndarray
    coherence: np.ndarray

    def between(self, start_s: float, stop_s: float) -> "Sounding":
        """Return the part from one time to another."""
        first, last = np.searchsorted(self.time_s, (start_s, stop_s))
        return Sounding(*(column[first:last] for column in self))


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


def opened_powers(envelope: Envelope) -> np.ndarray:
    """Powers with ticks and thumps taken out and smoothed, shape (2, frames, bands)."""
    powers = np.stack([envelope.left, envelope.right])
    out = np.empty_like(powers)
    for bands, tick_s, smoothing_s in (
        (slice(0, SLOW_BANDS), THUMP_S, SLOW_SMOOTHING_S),
        (slice(SLOW_BANDS, SLOW_BANDS + LOW_BANDS), LOW_TICK_S, SMOOTHING_S),
        (slice(SLOW_BANDS + LOW_BANDS, None), TICK_S, SMOOTHING_S),
    ):
        opened = opening(powers[:, :, bands], odd_frames(tick_s, envelope.hop_s))
        out[:, :, bands] = moving_mean(opened, odd_frames(smoothing_s, envelope.hop_s))
    return out


def silence(envelope: Envelope, powers: np.ndarray, air: np.ndarray) -> Silence:
    """Find the level of the unmodulated groove in each band from the capture itself.

    Parameters
    ----------
    powers : ndarray, shape (2, frames, bands)
        From `opened_powers`.
    air : ndarray of bool, shape (frames,)
        Frames that are left out, from `in_the_air`.
    """
    # One frame in each smoothing interval tells all; np.quantile is dear.
    groove = np.flatnonzero(~air)[:: odd_frames(SMOOTHING_S, envelope.hop_s)]
    inside = powers[:, groove]
    ordered = np.sort(inside, axis=1)
    first, last = (int(quantile * inside.shape[1]) for quantile in QUIET_QUANTILES)
    floor = ordered[:, first : max(last, first + 1)].mean(axis=1)
    ceiling = floor * _ratio(FIRST_MARGIN_DB)
    spread_db = np.broadcast_to(FIRST_MARGIN_DB / MARGIN_DEVIATIONS, floor.shape)
    quiet = ~exceeding(inside, ceiling)
    for _ in range(3):
        if quiet.sum() * SMOOTHING_S < QUIET_MIN_S:
            break
        levels_db = _decibels(inside[:, quiet])
        middle_db = np.median(levels_db, axis=1)
        spread_db = middle_db - np.quantile(levels_db, ONE_DEVIATION_BELOW, axis=1)
        floor = _ratio(middle_db)
        ceiling = _ratio(middle_db + np.maximum(MARGIN_DEVIATIONS * spread_db, MARGIN_MIN_DB))
        quiet = ~exceeding(inside, ceiling)
    still = groove[quiet] if quiet.any() else groove
    return Silence(
        floor=floor,
        ceiling=np.maximum(ceiling, TINY_POWER),
        spread_db=spread_db,
        moment_hz=np.median(envelope.moment_hz[still], axis=0),
    )


def in_the_air(powers: np.ndarray, hop_s: float) -> np.ndarray:
    """Frames before the needle meets the groove and after it leaves, shape (frames,).

    Both ends of a capture may hold nothing but the chain's own noise. Such an end is told by being
    much quieter, in the audio bands together, than the quietest moment of all the rest.
    """
    audible = powers[:, :, SLOW_BANDS + 1 :].sum(axis=0)
    level_db = _decibels(moving_mean(audible.sum(axis=1), odd_frames(AIR_SMOOTHING_S, hop_s)))
    settle = round(AIR_SMOOTHING_S / hop_s)
    air = np.zeros(len(level_db), dtype=bool)
    for step in (1, -1):
        reach = _air_frames(level_db[::step], settle)
        rest = audible[::step][reach:]
        if reach and _is_noise(rest, level_db[::step][reach:]):
            air[::step][:reach] = True
    return air


def _air_frames(level_db: np.ndarray, settle: int) -> int:
    """Count the frames at the beginning that are much quieter than all that follows."""
    count = len(level_db)
    if count < 8 * settle:
        return 0
    # The least level still to come, from each frame on: it steps up where the needle drops.
    to_come_db = np.minimum.accumulate(level_db[::-1])[::-1]
    beginning_db = np.median(level_db[settle : 4 * settle])
    rest = np.flatnonzero(to_come_db > beginning_db + AIR_DB)
    return int(rest[0]) if len(rest) and rest[0] < count - 8 * settle else 0


def _is_noise(powers: np.ndarray, level_db: np.ndarray) -> bool:
    """Whether the quietest frames hold a groove's noise, which fills the bands, or just a tone."""
    quietest = powers[level_db < level_db.min() + AIR_DB / 2.0].mean(axis=0)
    beside = quietest + np.roll(quietest, 1) + np.roll(quietest, -1)
    return bool(beside.max() < NOISE_SHARE_MAX * quietest.sum())


def sounding(envelope: Envelope, powers: np.ndarray, still: Silence) -> Sounding:
    """Tell what is heard above the silence: frequency, and what the channels carry of it."""
    above = exceeding(powers, still.ceiling)
    width = odd_frames(SMOOTHING_S, envelope.hop_s)
    every = max(round(SOUNDING_S / envelope.hop_s), 1)
    at = np.arange(every // 2, len(envelope), every)
    left = np.maximum(moving_mean(envelope.left, width)[at] - still.floor[0], 0.0)
    right = np.maximum(moving_mean(envelope.right, width)[at] - still.floor[1], 0.0)
    cross = moving_mean(envelope.cross, width)[at]
    moment_hz = moving_mean(envelope.moment_hz, width)[at] - still.moment_hz
    strongest = np.maximum(powers[:, at] - still.floor[:, None, :], 0.0).sum(axis=0).argmax(axis=1)
    # A tone at the border of two bands has parts in both, if they are of one transform.
    bands = np.arange(left.shape[1])
    near = np.abs(bands - strongest[:, None]) <= 1
    near &= TRANSFORM_OF_BAND[strongest][:, None] == TRANSFORM_OF_BAND
    left, right, cross, moment_hz = (
        np.where(near, column, 0.0).sum(axis=1) for column in (left, right, cross, moment_hz)
    )
    heard = above[at] & (moment_hz > 0.0) & (left + right > 0.0)
    power = np.where(heard, left + right, 1.0)
    return Sounding(
        time_s=(at + 0.5) * envelope.hop_s,
        frequency_hz=np.where(heard, moment_hz / power, np.nan),
        balance_db=np.where(heard, _decibels(left) - _decibels(right), np.nan),
        coherence=np.where(heard, cross / np.sqrt(np.maximum(left * right, TINY_POWER)), np.nan),
    )


def repeats(part: Sounding, period_s: float) -> bool:
    """Whether a changing sound is the same again and again, once a revolution."""
    heard = np.isfinite(part.frequency_hz)
    time_s, octave = part.time_s[heard], np.log2(part.frequency_hz[heard])
    if not len(time_s) or time_s[-1] - time_s[0] < REPEATS_MIN * period_s:
        return False
    later = np.interp(time_s + period_s, time_s, octave, right=np.nan)
    off = np.abs(later - octave)[np.isfinite(later)]
    changes = np.quantile(octave, 0.9) - np.quantile(octave, 0.1)
    return bool(changes > REPEATED_CHANGE_OCTAVES > 5.0 * np.median(off))


def stretches(envelope: Envelope, powers: np.ndarray, still: Silence) -> list[Stretch]:
    """Find the stretches of modulation, their ends refined to an envelope frame."""
    hop_s = envelope.hop_s
    above = exceeding(powers, still.ceiling)
    well_above = exceeding(powers, _ratio(RISE_DB) * still.ceiling)
    audible = exceeding(powers[:, :, SLOW_BANDS:], still.ceiling[:, SLOW_BANDS:])
    found = []
    for start, stop in runs(bridged(above, round(BRIDGE_S / hop_s))):
        start, stop = _without_ringing(audible, start, stop, round(RINGING_S / hop_s))
        if (stop - start) * hop_s < STRETCH_MIN_S:
            continue
        if well_above[start:stop].sum() * hop_s < STRETCH_MIN_S / 2:
            continue
        start_s = edge_s(envelope, still, start, stop, rising=True)
        stop_s = edge_s(envelope, still, start, stop, rising=False)
        if stop_s > start_s:
            found.append(Stretch(start, stop, start_s, stop_s))
    return found


def _without_ringing(audible: np.ndarray, start: int, stop: int, ringing: int) -> tuple[int, int]:
    """Cut from an audible stretch the slow ringing of arm and platter at its ends."""
    heard = np.flatnonzero(audible[start:stop])
    if 2 * len(heard) < stop - start:
        return start, stop
    first, last = start + int(heard[0]), start + int(heard[-1]) + 1
    return (first if first - start < ringing else start), (last if stop - last < ringing else stop)


def edge_s(envelope: Envelope, still: Silence, start: int, stop: int, *, rising: bool) -> float:
    """Time at which the power of a stretch crosses half its way at one of its ends.

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
    """Time of a frame's beginning, counted from the end for a falling edge."""
    return (frame if rising else frames - frame) * hop_s


def exceeding(powers: np.ndarray, ceiling: np.ndarray) -> np.ndarray:
    """Frames in which any band of either channel is above its ceiling, shape (frames,)."""
    return np.asarray((powers > ceiling[:, None, :]).any(axis=(0, 2)))


def _ratio(decibels: np.ndarray | float) -> np.ndarray:
    return np.asarray(10.0 ** (np.asarray(decibels) / 10.0))


def _decibels(power: np.ndarray) -> np.ndarray:
    return np.asarray(10.0 * np.log10(np.maximum(power, TINY_POWER)))


@dataclass(frozen=True)
class Heard:
    """A capture's envelope and all that is made of it before the plan is looked at.

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
        """Stretches of digital silence of both channels while the needle is in the groove."""
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

    def frames(self, start_s: float, stop_s: float) -> slice:
        """Envelope frames that lie wholly between two times."""
        first = int(np.ceil(start_s / self.envelope.hop_s - 1e-6))
        return slice(first, max(int(stop_s / self.envelope.hop_s + 1e-6), first))


def hear(envelope: Envelope) -> Heard:
    """Find silence, stretches and their content in an envelope."""
    powers = opened_powers(envelope)
    air = in_the_air(powers, envelope.hop_s)
    still = silence(envelope, powers, air)
    return Heard(
        envelope=envelope,
        silence=still,
        stretches=tuple(stretches(envelope, powers, still)),
        sounding=sounding(envelope, powers, still),
        air=air,
        dead=dead_channels(powers),
    )


def dead_channels(powers: np.ndarray) -> frozenset[str]:
    """Name the channels that carry nothing while the other does."""
    loudest_db = _decibels(powers[:, :, SLOW_BANDS:].sum(axis=2).max(axis=1))
    names = ("left", "right")
    return frozenset(names[i] for i in (0, 1) if loudest_db[1 - i] - loudest_db[i] > DEAD_DB)
