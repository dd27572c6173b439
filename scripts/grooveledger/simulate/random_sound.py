"""Tracks that are no tones: cut noise, and sound such as speech."""

import numpy as np
import scipy.fft as fft

from grooveledger.physics.equalisation import recorded_velocity_db
from grooveledger.physics.groove import rms_velocity_cm_s
from grooveledger.plan import Side, Track
from grooveledger.simulate.layouts import speech
from grooveledger.simulate.modulation import AXES, DEFAULT_VELOCITY_CM_S, groove_speed
from grooveledger.simulate.stylus import StylusTruth, scanning_loss
from grooveledger.simulate.truth import TrackTruth

#: Band of cut noise, Hz: it fades over a twelfth of an octave at either end.
LOW_HZ, HIGH_HZ, FADE_OCTAVES = 17.0, 23_000.0, 1.0 / 12.0
#: Noise and speech come and go within this time, s.
FADE_S = 0.01


def cut_random_sound(
    groove: np.ndarray,
    placed: TrackTruth,
    side: Side,
    stylus: StylusTruth,
    sample_rate_hz: int,
    seed: int,
) -> None:
    """Add the velocities of a track of noise or of `other` to the groove, in place.

    The noise is stationary: the platter's speed is not in it.
    """
    random = np.random.default_rng([seed, 5, placed.track])
    first, last = (round(time_s * sample_rate_hz) for time_s in (placed.start_s, placed.stop_s))
    frames = min(last, groove.shape[1]) - first
    time_s = np.arange(frames) / sample_rate_hz
    if placed.kind == "noise":
        wave = _noise(placed.plan, side, stylus, frames, sample_rate_hz, random)
    else:
        wave = DEFAULT_VELOCITY_CM_S * speech(random, time_s)
    inside = np.minimum(time_s, time_s[::-1]) / FADE_S
    wave = wave * np.sin(0.5 * np.pi * np.clip(inside, 0.0, 1.0)) ** 2
    axis = np.array(AXES[placed.plan.modulation or "lateral"])
    groove[:, first : first + frames] += np.multiply.outer(axis, wave).astype(np.float32)


def _noise(
    track: Track,
    side: Side,
    stylus: StylusTruth,
    frames: int,
    sample_rate_hz: int,
    random: np.random.Generator,
) -> np.ndarray:
    """Return velocity along the axis, cm/s: coloured by the recorded law, at the stated level."""
    size = fft.next_fast_len(frames, real=True)
    hz = np.maximum(np.fft.rfftfreq(size, 1.0 / sample_rate_hz), 1e-3)
    reach = np.minimum(np.log2(hz / LOW_HZ), np.log2(HIGH_HZ / hz)) / FADE_OCTAVES
    gain = np.sin(0.5 * np.pi * np.clip(reach, 0.0, 1.0)) ** 2
    gain *= 10.0 ** (recorded_velocity_db(hz, track.recorded) / 20.0)
    if track.colour == "pink":
        gain /= np.sqrt(hz)
    # In expectation, so that no moment's chance is taken out of the level.
    rms = np.sqrt(np.sum(gain**2) / len(hz))
    velocity = rms_velocity_cm_s(
        track.velocity_cm_s or DEFAULT_VELOCITY_CM_S, track.velocity_measure
    )
    gain *= velocity / rms * scanning_loss(hz, stylus, groove_speed(track, side))
    white = random.standard_normal(size)
    return fft.irfft(fft.rfft(white) * gain, size)[:frames]
