"""Captures of sides of any kind of track, lighter than the simulator's: tones, noise, speech."""

from collections.abc import Sequence

import numpy as np

from grooveledger.plan import Track
from grooveledger.simulate.layouts import gains, sound_of

RATE_HZ = 44_100
LEAD_IN_S = 3.0


def capture_of(
    tracks: Sequence[Track], gap_s: float, seed: int, thump_s: float | None = 1.0
) -> tuple[np.ndarray, dict[int, tuple[float, float]]]:
    """Samples of shape (n, 2) of tracks one after another, and where each lies.

    Silence is noise 50 dB below the tracks; the needle's thump at `thump_s` is as loud as they are.
    """
    random = np.random.default_rng(seed)
    parts, placed = [np.zeros((int(LEAD_IN_S * RATE_HZ), 2))], {}
    at_s = LEAD_IN_S
    for track in tracks:
        frames = int(track.stated_duration_s * RATE_HZ)
        time_s = np.arange(frames) / RATE_HZ
        if track.kind == "silent_groove":
            parts.append(np.zeros((frames, 2)))
        else:
            parts.append(0.2 * sound_of(track, time_s, 1.0, random)[:, None] * gains(track, 0.05))
        placed[track.track] = at_s, at_s + frames / RATE_HZ
        parts.append(np.zeros((int(gap_s * RATE_HZ), 2)))
        at_s += frames / RATE_HZ + int(gap_s * RATE_HZ) / RATE_HZ
    parts.append(np.zeros((2 * RATE_HZ, 2)))
    samples = np.concatenate(parts)
    samples += 0.2 * 10.0 ** (-50.0 / 20.0) * random.standard_normal(samples.shape)
    if thump_s is not None:
        first, time_s = int(thump_s * RATE_HZ), np.arange(RATE_HZ // 2) / RATE_HZ
        thump = 0.2 * np.sin(2.0 * np.pi * 35.0 * time_s) * np.exp(-time_s / 0.08)
        samples[first : first + len(thump)] += thump[:, None]
    return samples, placed
