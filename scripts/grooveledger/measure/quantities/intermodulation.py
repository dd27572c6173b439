"""Modulation distortion of two-tone tracks, at the cartridge's terminals."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.budget import sideband_part
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Measure, Metric
from grooveledger.measure.metric_rows import (
    IN_PHASE,
    Figure,
    Measured,
    groups,
)
from grooveledger.measure.readings import readings
from grooveledger.physics.distortion import modulation_distortion
from grooveledger.physics.noise_floor import is_heard, upper_bound
from grooveledger.plan import Track
from grooveledger.schemas.table import CAPTURE, CHANNEL, LIMITED, TRACK, Table, real
from grooveledger.storage import tables

TABLE = Table(
    "intermodulation",
    "measure",
    "Modulation distortion of two-tone tracks, at the terminals.",
    ("capture", "track", "channel"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("low_hz", "Hz", "low tone"),
        real("high_hz", "Hz", "high tone"),
        real("imd_pct", "%", "sideband pairs of orders 1 and 2 relative to the high tone"),
        LIMITED,
        real("second_order_pct", "%", "sideband pair one low tone away"),
        real("third_order_pct", "%", "sideband pair two low tones away"),
        real("floor_pct", "%", "what noise alone would read as imd_pct"),
    ),
)

#: The high tone, then its sidebands: one low tone below and above, two low tones below and above.
LINES = ((1, 0), (1, -1), (1, 1), (1, -2), (1, 2))


def is_used(track: Track) -> bool:
    """Whether modulation distortion is read from a track: from two tones at once."""
    return track.kind == "two_tone" and track.serves("intermodulation", "distortion")


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
        for track in filter(is_used, context.side.tracks)
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


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the modulation distortion of every channel.

    Noise adds to the two sidebands of a pair by chance, not arithmetically as the pair's sum does.
    """
    for track, channel, rows in groups(measured.tables, TABLE.name):
        noise_pct = 0.5 * IN_PHASE * float(rows["floor_pct"][0])
        value, limited = float(rows["imd_pct"][0]), bool(rows["limited"][0])
        low_hz, high_hz = float(rows["low_hz"][0]), float(rows["high_hz"][0])
        pairs = ("second_order_pct", 1.0), ("third_order_pct", 2.0)
        second, third = (
            float(rows[name][0]) ** 2 * sideband_part(measured.chain, times * low_hz, high_hz)
            for name, times in pairs
        )
        # Of each pair two equal sidebands, each by itself.
        spread = float(np.hypot(second, third)) / np.sqrt(2.0)
        preamplifier_pct = spread / value if value > 0.0 else np.nan
        parts = {"preamplifier": preamplifier_pct}
        yield Figure("imd_pct", channel, track, value, noise_pct, limited, parts=parts)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="two tones at once",
    metrics=(
        Metric(
            "imd_pct",
            "%",
            "Modulation distortion",
            limit={"rises_to_factor": 1.5},
            least_share=0.1,
        ),
    ),
    figures=figures,
)
