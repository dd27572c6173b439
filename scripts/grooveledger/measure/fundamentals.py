"""The fundamental of a track in both channels, for the measures that read nothing else."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.readings import readings
from grooveledger.measure.terminals import by_channel, denoised
from grooveledger.physics.noise_floor import NOISE_POWER_SIGMA, upper_bound
from grooveledger.plan import Track

FUNDAMENTAL = ((1, 0),)
CHANNELS = ("left", "right")
#: Below this, Hz, rumble only grows towards lower frequencies (common practice). The floor of a few
#: readings there is hardly known, and by chance far too low: that of readings above counts as well,
#: as the median of this many, and of either what it does not exceed (95 %, one-sided).
RUMBLE_TOP_HZ, RUMBLE_READINGS = 100.0, 5
RUMBLE_95 = 1.0 + 1.645 * 0.5 * NOISE_POWER_SIGMA
#: A sleeve states the frequency of a tone within this, relative (common practice).
TONE_OFF = 0.02


@dataclass(frozen=True)
class Fundamental:
    """The fundamental of one track, one entry a reading (moment of a sweep, or step).

    Attributes
    ----------
    nominal_hz, played_hz : ndarray, shape (n,)
        Recorded and played frequency.
    amplitude : mapping of channel to ndarray
        As heard, full-scale sine = 1, noise taken off. Where `limited` it is an upper bound (95 %),
        NaN where there is neither signal nor noise.
    floor : mapping of channel to ndarray
        Rms noise in the same reading; on a sweep below 100 Hz at least that of the readings above.
    phase_deg : mapping of channel to ndarray
        Re the track's louder channel.
    limited : mapping of channel to ndarray of bool
        Whether the reading does not stand clear of its noise.
    """

    nominal_hz: np.ndarray
    played_hz: np.ndarray
    amplitude: Mapping[str, np.ndarray]
    floor: Mapping[str, np.ndarray]
    phase_deg: Mapping[str, np.ndarray]
    limited: Mapping[str, np.ndarray]

    def noise_to_signal(self, channel: str) -> np.ndarray:
        """Return the rms noise over amplitude; 1 where the reading is limited."""
        clear = ~self.limited[channel] & (self.amplitude[channel] > 0.0)
        ratio = np.ones(clear.shape)
        np.divide(self.floor[channel], self.amplitude[channel], out=ratio, where=clear)
        return ratio


def fundamental(context: CaptureContext, track: Track) -> Fundamental | None:
    """Read order 1 of a track, channels named as the cartridge has them; None if not observed."""
    orders = by_channel(context.observations["orders"], context.chain)
    read = {name: readings(orders, track.track, name, FUNDAMENTAL) for name in CHANNELS}
    left, right = read["left"], read["right"]
    if not len(left.played_hz) or len(left.played_hz) != len(right.played_hz):
        return None
    amplitude = {}
    for name, one in read.items():
        clean = denoised(one.amplitude_fs, one.floor_fs)
        bound = upper_bound(one.amplitude_fs, one.floor_fs)
        stated = np.where(one.limited, np.where(bound > 0.0, bound, np.nan), clean)
        amplitude[name] = stated[:, 0]
    return Fundamental(
        nominal_hz=left.nominal_hz,
        played_hz=left.played_hz,
        amplitude=amplitude,
        floor={
            name: rumbling(one.played_hz, one.floor_fs[:, 0])
            if track.kind == "sweep"
            else one.floor_fs[:, 0]
            for name, one in read.items()
        },
        phase_deg={name: one.phase_deg[:, 0] for name, one in read.items()},
        limited={name: one.limited[:, 0] for name, one in read.items()},
    )


def rumbling(played_hz: np.ndarray, floor_fs: np.ndarray) -> np.ndarray:
    """Return the floor of a sweep, below 100 Hz at least what readings above have.

    Examples
    --------
    >>> hz, floor = np.array([25.0, 30.0, 40.0, 50.0, 60.0]), np.array([1.0, 2.0, 3.0, 3.0, 2.0])
    >>> rumbling(hz, floor).round(1).tolist()
    [2.5, 2.5, 3.7, 3.7, 2.5]
    """
    low = np.flatnonzero(played_hz < RUMBLE_TOP_HZ)
    low = low[np.argsort(-played_hz[low], kind="stable")]
    if len(low) < RUMBLE_READINGS:
        return floor_fs
    beside = np.lib.stride_tricks.sliding_window_view(
        np.pad(floor_fs[low], RUMBLE_READINGS // 2, mode="edge"), RUMBLE_READINGS
    )
    raised = floor_fs.copy()
    around = np.maximum.accumulate(np.median(beside, axis=1))
    raised[low] = RUMBLE_95 * np.maximum(floor_fs[low], around)
    return raised


def speed_ratio(context: CaptureContext) -> float:
    """Return the capture's played over nominal frequency, 1 where it has neither tones nor steps.

    A tone may be cut some per cent off its frequency, the platter is as fast for all of them: the
    median counts, or the tone that is cut for it where that is as far off as others may be.
    """
    tracks = context.side.tracks
    tones = [track for track in tracks if track.kind == "tone"]
    steps = [track for track in tracks if track.kind in ("tone_steps", "amplitude_steps")]
    usual = _median_ratio(context, tones)
    if np.isnan(usual):
        usual = _median_ratio(context, steps)
    cut_for_it = _median_ratio(context, [track for track in tones if track.purpose == "speed"])
    if abs(cut_for_it / usual - 1.0) <= TONE_OFF:
        return cut_for_it
    return 1.0 if np.isnan(usual) else usual


def _median_ratio(context: CaptureContext, tracks: Sequence[Track]) -> float:
    orders = context.observations["orders"]
    rows = np.isin(orders["track"], [track.track for track in tracks]) & (orders["order"] == 1)
    if not rows.any():
        return float("nan")
    return float(np.median(orders["played_hz"][rows] / orders["nominal_hz"][rows]))


def wrapped_deg(phase_deg: np.ndarray) -> np.ndarray:
    """Return phases wrapped into (-180, 180].

    Examples
    --------
    >>> wrapped_deg(np.array([190.0, -180.0, 720.0])).tolist()
    [-170.0, 180.0, 0.0]
    """
    return 180.0 - np.mod(180.0 - phase_deg, 360.0)
