"""Distortion against groove amplitude: what the stylus still tracks."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.budget import DB_PER_NEPER
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Measure, Metric
from grooveledger.measure.harmonics import Harmonics, harmonic_lines
from grooveledger.measure.metric_rows import (
    Figure,
    Measured,
    groups,
)
from grooveledger.measure.readings import readings
from grooveledger.physics.uncertainty import rectangular
from grooveledger.plan import Track
from grooveledger.schemas.table import CAPTURE, CHANNEL, TRACK, TRUTH, Column, Table, real
from grooveledger.storage import tables

TABLE = Table(
    "tracking_ability",
    "measure",
    "Distortion against groove amplitude.",
    ("capture", "track", "channel", "amplitude_um"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("amplitude_um", "um", "peak amplitude along the modulation's axis"),
        real("thd_pct", "%", "orders 2 to order_max re the fundamental"),
        Column("mistracking", TRUTH, "", "true from the first step that is not tracked"),
    ),
)


#: Below this a rise of distortion is no jump, %: a clean step of a tenth of a percent may rise
#: threefold on a stylus that still tracks (our choice).
JUMP_LEAST_PCT = 1.0


def is_used(track: Track) -> bool:
    """Whether tracking ability is read from a track: from one tone at rising amplitudes."""
    return track.kind == "amplitude_steps" and track.serves("tracking_ability")


def measure(context: CaptureContext) -> pa.Table:
    """Measure each driven channel's distortion at every amplitude step.

    `mistracking` is true from the first step, in order of amplitude, whose THD exceeds
    `thd_limit_pct`, or is more than `jump_ratio` times that of the step before and more than
    `JUMP_LEAST_PCT`; a step without a
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
    for track in filter(is_used, context.side.tracks):
        for channel in track.driven_channels:
            read = readings(orders, track.track, channel, lines)
            found = Harmonics(read, context.chain)
            parts.append(_rows(context, track, channel, read.step, 100.0 * found.thd(found.ratio)))
    return tables.concat(TABLE, parts)


def mistracking(thd_pct: np.ndarray, thd_limit_pct: float, jump_ratio: float) -> np.ndarray:
    """Return which steps, in order of amplitude, are at or past the first that is not tracked.

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
    lost[1:] |= thd[1:] > np.maximum(jump_ratio * thd[:-1], JUMP_LEAST_PCT)
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


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the largest amplitude that was tracked.

    It is uncertain by the step after it, and by the record's level.
    """
    for track, channel, rows in groups(measured.tables, "tracking_ability"):
        rising = np.argsort(rows["amplitude_um"], kind="stable")
        stated = rising[~np.isnan(rows["thd_pct"][rising])]
        tracked = rows["amplitude_um"][stated][~rows["mistracking"][stated]]
        value = float(tracked[-1]) if len(tracked) else np.nan
        # Nothing was lost: the stylus tracks at least the largest step.
        at_least = bool(len(tracked)) and not bool(rows["mistracking"].any())
        u_db = float(rectangular(measured.side.response_tolerance_db))
        parts = {"record": value * u_db / DB_PER_NEPER}
        if len(tracked) and rows["mistracking"].any():
            # What is tracked lies anywhere between this step and the first that is lost.
            lost_um = float(rows["amplitude_um"][rows["mistracking"].astype(bool)].min())
            parts["interpolation"] = float(rectangular(lost_um - value))
        yield Figure("tracked_amplitude_um", channel, track, value, limited=at_least, parts=parts)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="one tone at rising amplitudes",
    metrics=(
        Metric(
            "tracked_amplitude_um",
            "um",
            "Groove amplitude tracked",
            limit={"falls_to_factor": 0.8},
            least_share=0.08,
        ),
    ),
    figures=figures,
)
