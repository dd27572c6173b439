"""Modulation distortion of two-tone tracks, at the cartridge's terminals."""

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.readings import readings
from grooveledger.physics.distortion import modulation_distortion
from grooveledger.physics.noise_floor import is_heard, upper_bound
from grooveledger.plan import Track, tracks_for
from grooveledger.schemas.measure import INTERMODULATION as TABLE
from grooveledger.storage import tables

#: The high tone, then its sidebands: one low tone below and above, two low tones below and above.
LINES = ((1, 0), (1, -1), (1, 1), (1, -2), (1, 2))


def measure(context: CaptureContext) -> pa.Table:
    """Measure the modulation of the high tone by the low one in every driven channel.

    IEC 60268-3: the arithmetic sum of each pair of sidebands over the high tone, the two orders
    added as squares, each line brought to the terminals at its own frequency and freed of its noise
    power. A row is `limited` where the sidebands' summed power is below four times the noise's: its
    figures are then upper bounds (95 %). Null where the high tone is not clear of the noise.
    """
    orders = terminals.by_channel(context.observations["orders"], context.chain)
    parts = [
        _rows(context, track, channel, orders)
        for track in tracks_for(TABLE.name, context.side)
        for channel in track.driven_channels
    ]
    return tables.concat(TABLE, parts)


def _rows(
    context: CaptureContext, track: Track, channel: str, orders: dict[str, np.ndarray]
) -> pa.Table:
    low_hz, high_hz = track.frequencies_hz
    read = readings(orders, track.track, channel, LINES)
    speed = read.played_hz[:, np.newaxis] / high_hz
    line_hz = speed * np.array([high * high_hz + low * low_hz for high, low in LINES])
    reading_mv = terminals.output_mv(read.amplitude_fs, line_hz, context.chain)
    noise_mv = terminals.output_mv(read.floor_fs, line_hz, context.chain)
    heard = is_heard(reading_mv[:, :1], noise_mv[:, :1])
    limited = ~(heard & is_heard(reading_mv[:, 1:], noise_mv[:, 1:]))
    clean_mv = terminals.denoised(reading_mv, noise_mv)
    high_mv = np.where(heard, clean_mv[:, 0], np.nan)
    line_mv = np.where(limited[:, np.newaxis], upper_bound(reading_mv, noise_mv), clean_mv)
    found = modulation_distortion(line_mv[:, 1:].reshape(-1, 2, 2), high_mv)
    floor = modulation_distortion(noise_mv[:, 1:].reshape(-1, 2, 2), high_mv)
    return tables.build(
        TABLE,
        {
            "capture": context.capture,
            "track": track.track,
            "channel": channel,
            "low_hz": np.full(len(limited), low_hz),
            "high_hz": high_hz,
            "imd_pct": 100.0 * found.total,
            "limited": limited,
            "second_order_pct": 100.0 * found.second_order,
            "third_order_pct": 100.0 * found.third_order,
            "floor_pct": 100.0 * floor.total,
        },
    )
