"""Distortion against groove amplitude: what the stylus still tracks."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure.budget import DB_PER_NEPER
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Measure, Metric
from grooveledger.measure.metric_rows import (
    Figure,
    Measured,
    groups,
)
from grooveledger.measure.tracked_steps import is_stepped, stepped_channels
from grooveledger.physics.groove import velocity_cm_s
from grooveledger.physics.uncertainty import rectangular
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
        real("thd_pct", "%", "orders 2 to order_max relative to the fundamental"),
        Column("mistracking", TRUTH, "", "true from the first step that is not tracked"),
        real("frequency_hz", "Hz", "frequency of the tone"),
        real("velocity_cm_s", "cm/s", "peak velocity along the modulation's axis"),
        real("tracking_force_mn", "mN", "force that the cartridge's description states"),
    ),
    revision=2,
)


def measure(context: CaptureContext) -> pa.Table:
    """Measure each driven channel's distortion at every amplitude step.

    Settings are those of `tracked_steps.stepped_channels`.
    """
    parts = []
    for track, channels in stepped_channels(context):
        hz = float(track.frequency_hz or np.nan)
        for channel, steps in channels.items():
            columns = {
                "capture": context.capture,
                "track": track.track,
                "channel": channel,
                "amplitude_um": steps.amplitude_um,
                "thd_pct": steps.thd_pct,
                "mistracking": steps.is_lost,
                "frequency_hz": hz,
                "velocity_cm_s": velocity_cm_s(hz, steps.amplitude_um),
                "tracking_force_mn": context.cartridge.tracking_force_mn,
            }
            parts.append(tables.build(TABLE, columns))
    return tables.concat(TABLE, parts)


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
    uses=is_stepped,
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
