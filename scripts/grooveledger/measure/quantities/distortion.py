"""Harmonic distortion of tones, steps and sweeps, at the cartridge's terminals and as heard."""

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.harmonics import Harmonics, harmonic_lines
from grooveledger.measure.readings import Readings, readings
from grooveledger.physics.distortion import harmonics_after_equaliser
from grooveledger.plan import Track, tracks_for
from grooveledger.schemas.measure import DISTORTION as TABLE
from grooveledger.storage import tables

#: Orders that have a column of their own.
COLUMN_ORDERS = (2, 3, 4, 5)


def measure(context: CaptureContext) -> pa.Table:
    """Measure the harmonics of every driven channel.

    Each order's reading is brought to the terminals at its own frequency, its noise power is
    subtracted, and it is taken relative to the fundamental there: the velocity domain, apart from
    the cartridge's own response. `thd_as_heard_pct` puts the ideal IEC 60098 replay curve back.
    Orders that were not observed, being too near half the sampling rate, are missing, not zero.

    A row is `limited` where the summed power of its harmonics is below four times the noise's: its
    figures are then upper bounds (95 %). Without a fundamental that stands clear of the noise there
    is no distortion to state.
    """
    orders = terminals.by_channel(context.observations["orders"], context.chain)
    lines = harmonic_lines(orders)
    parts = [
        _rows(context, track, channel, readings(orders, track.track, channel, lines))
        for track in tracks_for(TABLE.name, context.side)
        for channel in track.driven_channels
    ]
    return tables.concat(TABLE, parts)


def _rows(context: CaptureContext, track: Track, channel: str, read: Readings) -> pa.Table:
    found = Harmonics(read, context.chain)
    as_heard = np.abs(harmonics_after_equaliser(found.ratio, read.played_hz, found.orders, "iec98"))
    columns = {f"h{order}_pct": 100.0 * found.ratio[:, order - 2] for order in COLUMN_ORDERS}
    return tables.build(
        TABLE,
        {
            "capture": context.capture,
            "track": track.track,
            "channel": channel,
            "frequency_hz": read.played_hz if track.kind == "sweep" else read.nominal_hz,
            "level_mv": found.level_mv,
            "thd_pct": 100.0 * found.thd(found.ratio),
            **columns,
            "thd_as_heard_pct": 100.0 * found.thd(as_heard),
            "order_max": found.order_max,
            "limited": found.limited,
            "played_hz": read.played_hz,
            "floor_pct": 100.0 * found.thd(found.floor),
        },
    )
