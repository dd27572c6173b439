"""Steps of rising amplitude, and from which of them on a stylus no longer tracks."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from grooveledger.measure import terminals
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.harmonics import Harmonics, harmonic_lines
from grooveledger.measure.readings import Readings, readings
from grooveledger.plan import Chain, Track
from grooveledger.plan.curves import joined

#: Below this a rise of distortion is no jump, %: a clean step of a tenth of a percent may rise
#: threefold on a stylus that still tracks (our choice).
JUMP_LEAST_PCT = 1.0


class Steps(NamedTuple):
    """One channel of a track in order of amplitude, shape (n,) each.

    Attributes
    ----------
    amplitude_um : ndarray
        Peak amplitude along the modulation's axis.
    thd_pct : ndarray
        Distortion; an upper bound where noise limits it, NaN without a clear fundamental.
    is_lost : ndarray of bool
        True from the first step that is not tracked.
    """

    amplitude_um: np.ndarray
    thd_pct: np.ndarray
    is_lost: np.ndarray


def is_stepped(track: Track) -> bool:
    """Whether tracking ability is read from a track: from one tone at rising amplitudes."""
    return track.kind == "amplitude_steps" and track.serves("tracking_ability")


def stepped_channels(context: CaptureContext) -> Iterator[tuple[Track, dict[str, Steps]]]:
    """Yield every stepped track with its driven channels; of several bands of one test the first.

    A step is lost, and all after it, whose THD exceeds `thd_limit_pct`, or is more than
    `jump_ratio` times that of the step before and more than `JUMP_LEAST_PCT`; a step without a
    fundamental clear of the noise says nothing and is passed over. THD that noise limits is an
    upper bound, so that noise alone makes no jump.

    Settings
    --------
    thd_limit_pct : float
        The limit, %.
    jump_ratio : float
        The jump.
    """
    orders = terminals.by_channel(context.observations["orders"], context.chain)
    lines = harmonic_lines(orders)
    limit_pct = float(context.settings["thd_limit_pct"])
    jump_ratio = float(context.settings["jump_ratio"])
    for group in joined(context.side, is_stepped):
        channels = {}
        for channel in group[0].driven_channels:
            parts = [readings(orders, track.track, channel, lines) for track in group]
            amplitude_um = np.concatenate(
                [
                    np.array(track.amplitudes_um)[part.step.astype(int)]
                    for track, part in zip(group, parts, strict=True)
                ]
            )
            thd_pct = np.concatenate([_thd_pct(part, context.chain) for part in parts])
            # Of bands that repeat an amplitude, the first.
            amplitude_um, rising = np.unique(amplitude_um, return_index=True)
            is_lost = mistracking(thd_pct[rising], limit_pct, jump_ratio)
            channels[channel] = Steps(amplitude_um, thd_pct[rising], is_lost)
        yield group[0], channels


def _thd_pct(read: Readings, chain: Chain) -> np.ndarray:
    found = Harmonics(read, chain)
    return 100.0 * found.thd(found.ratio)


def mistracking(thd_pct: np.ndarray, thd_limit_pct: float, jump_ratio: float) -> np.ndarray:
    """Return which steps, in order of amplitude, are at or past the first that is not tracked.

    Parameters
    ----------
    thd_pct : ndarray, shape (n,)
        Distortion of each step, %; NaN where it could not be stated.
    thd_limit_pct, jump_ratio : float
        See `stepped_channels`.
    """
    stated = np.flatnonzero(~np.isnan(thd_pct))
    thd = thd_pct[stated]
    lost = thd > thd_limit_pct
    lost[1:] |= thd[1:] > np.maximum(jump_ratio * thd[:-1], JUMP_LEAST_PCT)
    first = stated[np.argmax(lost)] if lost.any() else len(thd_pct)
    return np.arange(len(thd_pct)) >= first
