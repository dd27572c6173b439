"""The sound above the silence: its frequency, and what the channels carry of it."""

from typing import NamedTuple

import numpy as np

from grooveledger.segment.envelope import Envelope
from grooveledger.segment.silence import (
    HIGH_BANDS,
    LOW_BANDS,
    SLOW_BANDS,
    SMOOTHING_S,
    TINY_POWER,
    Silence,
    decibels,
    exceeding,
)
from grooveledger.segment.sliding import mean_at, odd_frames

#: Which of the envelope's transforms a band belongs to.
TRANSFORM_OF_BAND = np.repeat([0, 1, 2], [SLOW_BANDS, LOW_BANDS, HIGH_BANDS])
#: Part of the strongest band's power from which another band counts as filled: 20 dB below.
FILLED = 0.01
#: Interval of the readings.
SOUNDING_S = 0.1
#: A repeating groove is recognised from this many turns, if it changes by this much in each.
REPEATS_MIN, REPEATED_CHANGE_OCTAVES = 3, 0.05


class Sounding(NamedTuple):
    """Readings of the sound, ten times a second: arrays of one shape.

    Attributes
    ----------
    time_s, frequency_hz : ndarray
        Time, and frequency of the strongest tone (NaN where there is no sound).
    balance_db : ndarray
        Left over right.
    coherence : ndarray
        Near 1 where both channels carry the same, near -1 where they are in antiphase.
    bands : ndarray
        Number of bands that are nearly as strong as the strongest: one or two for a tone.
    """

    time_s: np.ndarray
    frequency_hz: np.ndarray
    balance_db: np.ndarray
    coherence: np.ndarray
    bands: np.ndarray

    def between(self, start_s: float, stop_s: float) -> "Sounding":
        """Return the part from one time to another."""
        first, last = np.searchsorted(self.time_s, (start_s, stop_s))
        return Sounding(*(column[first:last] for column in self))


def sounding(envelope: Envelope, powers: np.ndarray, still: Silence) -> Sounding:
    """Read the sound above the silence: its frequency, and what the channels carry of it."""
    above = exceeding(powers, still.ceiling)
    width = odd_frames(SMOOTHING_S, envelope.hop_s)
    every = max(round(SOUNDING_S / envelope.hop_s), 1)
    at = np.arange(every // 2, len(envelope), every)
    left = np.maximum(mean_at(envelope.left, at, width) - still.floor[0], 0.0)
    right = np.maximum(mean_at(envelope.right, at, width) - still.floor[1], 0.0)
    cross = mean_at(envelope.cross, at, width)
    moment_hz = mean_at(envelope.moment_hz, at, width) - still.moment_hz
    # Rumble that swings as it does in silence is no tone, however much stronger than a faint one.
    sounds = powers[:, at] > still.ceiling[:, None, :]
    excess = np.where(sounds, powers[:, at] - still.floor[:, None, :], 0.0)
    strongest = excess.sum(axis=0).argmax(axis=1)
    # A tone at the border of two bands has parts in both, if they are of one transform.
    whole = left + right
    filled = (whole > FILLED * whole.max(axis=1, keepdims=True)).sum(axis=1)
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
        balance_db=np.where(heard, decibels(left) - decibels(right), np.nan),
        coherence=np.where(heard, cross / np.sqrt(np.maximum(left * right, TINY_POWER)), np.nan),
        bands=np.where(heard, filled, 0),
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
