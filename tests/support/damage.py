"""What goes wrong with captures, one small function each, to test how it is reported.

Functions of samples take and return arrays of shape (n, 2), full scale 1, and change nothing in
place; those of a side or of conditions say what to simulate instead.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np

from grooveledger.plan import Side
from grooveledger.simulate.conditions import Conditions

#: A 33 1/3 record at 45 turns a minute, per cent too fast.
AT_45_PCT = 35.0
#: A turn of a 33 1/3 record, s.
TURN_S = 1.8
#: This many samples are no number.
NOT_A_NUMBER_COUNT = 10
#: A sound beside the deck.
BURST_S, BURST_HZ = 0.4, 700.0
#: An earth not connected, as `Conditions.hum_db`.
LOUD_HUM_DB = -12.0


def truncate_file(path: Path, keep: float = 0.6) -> None:
    """Cut the end off a file's bytes, as a full card or a broken copy does."""
    content = path.read_bytes()
    path.write_bytes(content[: int(keep * len(content))])


def mono(samples: np.ndarray) -> np.ndarray:
    """Keep the left channel only, shape (n, 1)."""
    return samples[:, :1].copy()


def not_a_number(samples: np.ndarray) -> np.ndarray:
    """Put NaN in the middle (only a float file can hold it)."""
    damaged = samples.copy()
    first = len(samples) // 2
    damaged[first : first + NOT_A_NUMBER_COUNT] = np.nan
    return damaged


def silent(samples: np.ndarray) -> np.ndarray:
    """Return digital silence of the same length."""
    return np.zeros_like(samples)


def channels_exchanged(samples: np.ndarray) -> np.ndarray:
    """Exchange left and right, as leads plugged the wrong way round do."""
    return samples[:, ::-1].copy()


def dead_channel(samples: np.ndarray, channel: str) -> np.ndarray:
    """Disconnect one channel: it holds nothing but zeros."""
    damaged = samples.copy()
    damaged[:, ("left", "right").index(channel)] = 0.0
    return damaged


def late_needle(samples: np.ndarray, rate_hz: int, until_s: float) -> np.ndarray:
    """Keep the stylus in the air until a time within a track."""
    damaged = samples.copy()
    damaged[: int(until_s * rate_hz)] = 0.0
    return damaged


def cut_short(samples: np.ndarray, rate_hz: int, at_s: float) -> np.ndarray:
    """Stop the recorder at a time."""
    return samples[: int(at_s * rate_hz)].copy()


def locked_groove(samples: np.ndarray, rate_hz: int, at_s: float, repeats: int) -> np.ndarray:
    """Repeat the turn that begins at a time, as a stylus thrown back does."""
    first = int(at_s * rate_hz)
    turn = samples[first : first + round(TURN_S * rate_hz)]
    return np.concatenate([samples[:first], np.tile(turn, (repeats, 1)), samples[first:]])


def skip(samples: np.ndarray, rate_hz: int, at_s: float) -> np.ndarray:
    """Leave out a whole turn from a time on, as a stylus thrown ahead does."""
    first = int(at_s * rate_hz)
    return np.concatenate([samples[:first], samples[first + round(TURN_S * rate_hz) :]])


def bursts(
    samples: np.ndarray, rate_hz: int, times_s: tuple[float, ...], peak: float = 0.2
) -> np.ndarray:
    """Add tones that no plan has, such as a telephone beside the deck."""
    damaged = samples.copy()
    time_s = np.arange(int(BURST_S * rate_hz)) / rate_hz
    burst = peak * np.sin(2.0 * np.pi * BURST_HZ * time_s)
    for at_s in times_s:
        first = int(at_s * rate_hz)
        part = damaged[first : first + len(burst)]
        part += burst[: len(part), None]
    return np.clip(damaged, -1.0, 1.0)


def louder(samples: np.ndarray, db: float) -> np.ndarray:
    """Change the level, clipping at full scale where it is too high."""
    return np.clip(samples * 10.0 ** (db / 20.0), -1.0, 1.0)


def offset(samples: np.ndarray, dc: float) -> np.ndarray:
    """Add a constant to both channels."""
    return np.clip(samples + dc, -1.0, 1.0)


def track_twice(side: Side, number: int) -> Side:
    """Play one track of a side twice in a row."""
    place = side.position(number) + 1
    tracks = (*side.tracks[:place], side.track(number), *side.tracks[place:])
    return replace(side, tracks=tracks)


def track_left_out(side: Side, number: int) -> Side:
    """Leave out one track of a side."""
    return replace(side, tracks=tuple(one for one in side.tracks if one.track != number))


def gaps_of(side: Side, gap_s: float) -> Side:
    """Cut a side with other gaps than planned."""
    return replace(side, gap_s=gap_s)


def at_45(conditions: Conditions) -> Conditions:
    """Play a 33 1/3 record at 45."""
    return replace(conditions, speed_error_pct=AT_45_PCT)


def loud_hum(conditions: Conditions) -> Conditions:
    """Disconnect the earth: loud hum."""
    return replace(conditions, hum_db=LOUD_HUM_DB)
