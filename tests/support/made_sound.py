"""Captures made by hand, in closed form, for tests of the observations."""

from pathlib import Path

import numpy as np
import pyarrow as pa
import soundfile as sf

from grooveledger.schemas.segment import TRACKS


def written(folder: Path, samples: np.ndarray, rate: int, subtype: str = "FLOAT") -> Path:
    """The samples, shape (n,) or (n, 2), as a WAV file of two channels."""
    stereo = samples if samples.ndim == 2 else np.column_stack([samples, samples])
    path = folder / "capture.wav"
    sf.write(path, stereo, rate, subtype=subtype)
    return path


def tracks_at(*stretches: tuple[float, float], match: str = "found") -> pa.Table:
    """A tracks table with tracks 1, 2, ... at the times given."""
    empty = dict.fromkeys(TRACKS.names)
    rows = [
        {**empty, "capture": "c1", "track": i, "match": match, "start_s": start, "stop_s": stop}
        for i, (start, stop) in enumerate(stretches, start=1)
    ]
    return pa.Table.from_pylist(rows, schema=TRACKS.schema)


def modulated(
    hz: float, rate: int, seconds: float, swings: tuple[tuple[float, float, float], ...] = ()
) -> np.ndarray:
    """A cosine of peak 1 whose relative frequency deviation is a sum of part cos(2 pi f t + phase).

    `swings` holds (f in Hz, part, phase in rad).
    """
    time_s = np.arange(round(seconds * rate)) / rate
    passed = time_s.copy()
    for f, part, phase in swings:
        passed += part / (2 * np.pi * f) * np.sin(2 * np.pi * f * time_s + phase)
    return np.cos(2 * np.pi * hz * passed)


def with_ticks(
    samples: np.ndarray, rate: int, times_s: np.ndarray, size: float, decay_s: float = 60e-6
) -> np.ndarray:
    """Samples of shape (n, 2) with decaying pulses added, alternating in sign and channel."""
    ticked = samples.copy()
    pulse = np.exp(-np.arange(round(10 * decay_s * rate)) / (decay_s * rate))
    for i, time_s in enumerate(times_s):
        first = round(time_s * rate)
        ticked[first : first + len(pulse), i % 2] += size * (-1) ** (i // 2) * pulse
    return ticked
