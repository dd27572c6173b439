"""The silence level of a capture, in each band, from the capture itself."""

from dataclasses import dataclass

import numpy as np

from grooveledger.segment.band_powers import HIGH_BANDS_HZ, LOW_BANDS_HZ, SLOW_BANDS_HZ
from grooveledger.segment.envelope import Envelope
from grooveledger.segment.sliding import moving_mean, odd_frames, opening

SLOW_BANDS, LOW_BANDS, HIGH_BANDS = len(SLOW_BANDS_HZ), len(LOW_BANDS_HZ), len(HIGH_BANDS_HZ)
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
#: Duration of silence from which its spread can be estimated.
QUIET_MIN_S = 0.5
#: Where there is no noise at all, silence reaches up to this far below the loudest moment, in the
#: slow bands and the others, and to 120 dB below full scale.
LEAST_DB, LEAST_POWER = (-60.0, -80.0), 1e-12
#: Stands in for zero where a logarithm or a quotient is taken: 200 dB below full scale.
TINY_POWER = 1e-20
#: A needle in the air is this much quieter than the quietest groove of the capture.
AIR_DB = 6.0
AIR_SMOOTHING_S = 0.25
#: A groove's noise is no further below the loudest moment than this.
QUIET_DB = 90.0
#: Noise has less than this part of its power in any two neighbouring bands of the audio range.
NOISE_SHARE_MAX = 0.93
#: The needle is in the groove for at least this part of a capture.
GROOVE_PART_MIN = 0.2
#: In this part of the bands its noise is this much above the noise of the air.
RAISED_PART_MIN, RAISED_DB = 0.7, 3.0
#: Or, beside digital silence, of its own strongest band less this much.
EVEN_DB = 30.0
#: A channel this far below the other all the time carries nothing.
DEAD_DB = 45.0


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


def opened_powers(envelope: Envelope) -> np.ndarray:
    """Remove ticks and thumps from the powers and smooth them, shape (2, frames, bands)."""
    # A band's frames lie side by side in memory: all that follows goes along them.
    powers = np.array([envelope.left.T, envelope.right.T], order="C").swapaxes(1, 2)
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
    """Estimate the level of the unmodulated groove in each band from the capture itself.

    Parameters
    ----------
    powers : ndarray, shape (2, frames, bands)
        From `opened_powers`.
    air : ndarray of bool, shape (frames,)
        Frames that are left out, from `in_the_air`.
    """
    # One frame per smoothing interval is enough; sorting is cheaper than np.quantile.
    groove = np.flatnonzero(~air)[:: odd_frames(SMOOTHING_S, envelope.hop_s)]
    inside = powers[:, groove]
    ordered = np.sort(inside, axis=1)
    first, last = (int(quantile * inside.shape[1]) for quantile in QUIET_QUANTILES)
    floor = ordered[:, first : max(last, first + 1)].mean(axis=1)
    least = powers.max() * ratio(np.repeat(LEAST_DB, [SLOW_BANDS, LOW_BANDS + HIGH_BANDS]))
    least = np.maximum(least, LEAST_POWER)
    ceiling = np.maximum(floor * ratio(FIRST_MARGIN_DB), least)
    spread_db = np.broadcast_to(FIRST_MARGIN_DB / MARGIN_DEVIATIONS, floor.shape)
    quiet = ~exceeding(inside, ceiling)
    for _ in range(3):
        if quiet.sum() * SMOOTHING_S < QUIET_MIN_S:
            break
        levels_db = decibels(inside[:, quiet])
        middle_db = np.median(levels_db, axis=1)
        spread_db = middle_db - np.quantile(levels_db, ONE_DEVIATION_BELOW, axis=1)
        floor = ratio(middle_db)
        margin_db = np.maximum(MARGIN_DEVIATIONS * spread_db, MARGIN_MIN_DB)
        if (floor < least).all():
            # Without any noise, rounding and what rings off have a spread that says nothing of
            # where a track begins.
            margin_db = np.minimum(margin_db, FIRST_MARGIN_DB)
        ceiling = np.maximum(ratio(middle_db + margin_db), least)
        quiet = ~exceeding(inside, ceiling)
    still = groove[quiet] if quiet.any() else groove
    return Silence(
        floor=floor,
        ceiling=ceiling,
        spread_db=spread_db,
        moment_hz=np.median(envelope.moment_hz[still], axis=0),
    )


def in_the_air(envelope: Envelope, powers: np.ndarray) -> np.ndarray:
    """Return, shape (frames,), where the needle is not in the groove or nothing was recorded.

    Both ends of a capture may hold nothing but the chain's own noise. Such an end is much quieter,
    in the bands above hum, than the quietest moment of the rest. That moment must be noise, or a
    capture that ends within its first track would be taken for one that begins there.
    """
    settle = round(AIR_SMOOTHING_S / envelope.hop_s)
    audible = powers[:, :, SLOW_BANDS + 2 :].sum(axis=0)
    level_db = decibels(moving_mean(audible.sum(axis=1), 2 * (settle // 2) + 1))
    near = 2 * settle + 1
    nothing = (envelope.total_left == 0.0) & (envelope.total_right == 0.0)
    nothing = moving_mean(nothing.astype(float), near) > 0.0
    recorded_db = np.where(nothing, np.inf, level_db)
    frames = np.arange(len(level_db))
    ends = (
        nothing,
        frames < _air_frames(recorded_db, settle),
        frames[::-1] < _air_frames(recorded_db[::-1], settle),
    )
    air = np.zeros(len(level_db), dtype=bool)
    for end in ends:
        rest = moving_mean((end | air).astype(float), near) == 0.0
        groove = _groove_noise(audible, level_db, rest, envelope.hop_s) if end.any() else None
        if groove is None:
            continue
        # Digital silence says nothing about the air: noise, unlike tones, fills the bands evenly.
        still = ratio(-EVEN_DB) * groove.max() if end is nothing else audible[end].mean(axis=0)
        raised = (groove > ratio(RAISED_DB) * still)[groove > TINY_POWER]
        if raised.mean() > RAISED_PART_MIN:
            air |= end
    return air


def _air_frames(level_db: np.ndarray, settle: int) -> int:
    """Count the frames at the beginning that are much quieter than all that follows."""
    begin = int(np.argmax(np.isfinite(level_db)))
    if len(level_db) - begin < 8 * settle:
        return 0
    # The least level still to come, from each frame on: it steps up where the needle drops.
    to_come_db = np.minimum.accumulate(level_db[::-1])[::-1]
    beginning_db = np.median(level_db[begin + settle : begin + 4 * settle])
    rest = np.flatnonzero(to_come_db > beginning_db + AIR_DB)
    return int(rest[0]) if len(rest) and rest[0] < len(level_db) - 8 * settle else 0


def _groove_noise(
    powers: np.ndarray, level_db: np.ndarray, rest: np.ndarray, hop_s: float
) -> np.ndarray | None:
    """Return each band's power in the quietest of the frames `rest`, None where that is no noise.

    The quietest moment of a capture that holds nothing but tones is a tone.
    """
    if rest.mean() < GROOVE_PART_MIN:
        return None
    quietest = rest & (level_db < level_db[rest].min() + AIR_DB)
    if quietest.sum() * hop_s < QUIET_MIN_S or level_db[quietest].max() < level_db.max() - QUIET_DB:
        return None
    power = np.asarray(powers[quietest].mean(axis=0))
    share = np.convolve(power, np.ones(2)).max() / power.sum()
    return power if share < NOISE_SHARE_MAX else None


def dead_channels(powers: np.ndarray) -> frozenset[str]:
    """Name the channels that carry nothing while the other does."""
    loudest_db = decibels(powers[:, :, SLOW_BANDS:].sum(axis=2).max(axis=1))
    names = ("left", "right")
    return frozenset(names[i] for i in (0, 1) if loudest_db[1 - i] - loudest_db[i] > DEAD_DB)


def exceeding(powers: np.ndarray, ceiling: np.ndarray) -> np.ndarray:
    """Return frames in which any band of either channel is above its ceiling, shape (frames,)."""
    return np.asarray((powers > ceiling[:, None, :]).any(axis=(0, 2)))


def ratio(level_db: np.ndarray | float) -> np.ndarray:
    """Return the power of a level in dB."""
    return 10.0 ** (np.asarray(level_db) / 10.0)


def decibels(power: np.ndarray) -> np.ndarray:
    """Return the level in dB of a power, no less than that of `TINY_POWER`."""
    return 10.0 * np.log10(np.maximum(power, TINY_POWER))
