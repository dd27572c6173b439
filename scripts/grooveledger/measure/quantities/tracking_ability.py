"""Distortion against groove amplitude: what the stylus still tracks."""

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.harmonics import Harmonics, harmonic_lines
from grooveledger.measure.readings import readings
from grooveledger.plan import Track, tracks_for
from grooveledger.schemas.measure import TRACKING_ABILITY as TABLE
from grooveledger.storage import tables


def measure(context: CaptureContext) -> pa.Table:
    """Measure each driven channel's distortion at every amplitude step.

    `mistracking` is true from the first step, in order of amplitude, whose THD exceeds
    `thd_limit_pct` or is more than `jump_ratio` times that of the step before; a step without a
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
    parts = []
    for track in tracks_for(TABLE.name, context.side):
        for channel in track.driven_channels:
            read = readings(orders, track.track, channel, lines)
            found = Harmonics(read, context.chain)
            parts.append(_rows(context, track, channel, read.step, 100.0 * found.thd(found.ratio)))
    return tables.concat(TABLE, parts)


def mistracking(thd_pct: np.ndarray, thd_limit_pct: float, jump_ratio: float) -> np.ndarray:
    """Tell which steps, in order of amplitude, are at or past the first that is not tracked.

    Parameters
    ----------
    thd_pct : ndarray, shape (n,)
        Distortion of each step, %; NaN where it could not be stated.
    thd_limit_pct, jump_ratio : float
        See `measure`.
    """
    stated = np.flatnonzero(~np.isnan(thd_pct))
    thd = thd_pct[stated]
    lost = thd > thd_limit_pct
    lost[1:] |= thd[1:] > jump_ratio * thd[:-1]
    first = stated[np.argmax(lost)] if lost.any() else len(thd_pct)
    return np.arange(len(thd_pct)) >= first


def _rows(
    context: CaptureContext, track: Track, channel: str, step: np.ndarray, thd_pct: np.ndarray
) -> pa.Table:
    amplitude_um = np.array(track.amplitudes_um)[step.astype(int)]
    rising = np.argsort(amplitude_um, kind="stable")
    thd_pct = thd_pct[rising]
    lost = mistracking(
        thd_pct, float(context.settings["thd_limit_pct"]), float(context.settings["jump_ratio"])
    )
    return tables.build(
        TABLE,
        {
            "capture": context.capture,
            "track": track.track,
            "channel": channel,
            "amplitude_um": amplitude_um[rising],
            "thd_pct": thd_pct,
            "mistracking": lost,
        },
    )
