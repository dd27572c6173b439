"""Rows of the orders observation, picked and paired for the measures that read fundamentals."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from grooveledger.context import CaptureContext
from grooveledger.plan import Track
from grooveledger.terminals import by_channel, denoised

OTHER = {"left": "right", "right": "left"}


@dataclass(frozen=True)
class Fundamental:
    """The fundamental of one track in both channels, one entry a reading (cell or step).

    Amplitudes are as heard, noise taken off, full-scale sine = 1; `floor` is the noise's; phases
    are re the track's louder channel.
    """

    step: np.ndarray
    nominal_hz: np.ndarray
    played_hz: np.ndarray
    amplitude: Mapping[str, np.ndarray]
    floor: Mapping[str, np.ndarray]
    phase_deg: Mapping[str, np.ndarray]
    limited: Mapping[str, np.ndarray]


def fundamental(context: CaptureContext, track: Track) -> Fundamental | None:
    """Order 1 of a track; None where nothing of it was observed."""
    columns = by_channel(context.observations["orders"], context.chain)
    first = (columns["track"] == track.track) & (columns["order"] == 1)
    first &= columns["low_order"] == 0
    rows = {
        name: {key: column[first & (columns["channel"] == name)] for key, column in columns.items()}
        for name in ("left", "right")
    }
    left, right = rows["left"], rows["right"]
    if not len(left["played_hz"]) or len(left["played_hz"]) != len(right["played_hz"]):
        return None
    return Fundamental(
        step=left["step"],
        nominal_hz=left["nominal_hz"],
        played_hz=left["played_hz"],
        amplitude={c: denoised(r["amplitude_fs"], r["floor_fs"]) for c, r in rows.items()},
        floor={c: r["floor_fs"] for c, r in rows.items()},
        phase_deg={c: r["phase_deg"] for c, r in rows.items()},
        limited={c: r["limited"].astype(bool) for c, r in rows.items()},
    )


def speed_ratio(context: CaptureContext) -> float:
    """Played re nominal frequency of the capture, by its tones; 1 where it has none."""
    orders = context.observations["orders"]
    tones = [track.track for track in context.side.tracks if track.kind == "tone"]
    rows = np.isin(orders["track"], tones) & (orders["order"] == 1)
    if not rows.any():
        return 1.0
    return float(np.median(orders["played_hz"][rows] / orders["nominal_hz"][rows]))


def wrapped_deg(phase_deg: np.ndarray) -> np.ndarray:
    """Phase in (-180, 180]."""
    return np.asarray(180.0 - np.mod(180.0 - phase_deg, 360.0))
