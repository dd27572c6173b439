"""Harmonic distortion of tones, steps and sweeps, at the cartridge's terminals and as heard."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.budget import harmonic_parts
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.curve_metrics import at_frequency
from grooveledger.measure.declaration import Measure, Metric
from grooveledger.measure.harmonics import Harmonics, harmonic_lines
from grooveledger.measure.metric_rows import Columns, Figure, Measured
from grooveledger.measure.readings import Readings, readings
from grooveledger.physics.distortion import harmonics_after_equaliser
from grooveledger.plan import Track
from grooveledger.plan.uses import is_audio_band
from grooveledger.schemas.table import (
    CAPTURE,
    CHANNEL,
    FREQUENCY,
    LIMITED,
    PLAYED,
    TRACK,
    WHOLE,
    Column,
    Table,
    real,
)
from grooveledger.storage import tables

TABLE = Table(
    "distortion",
    "measure",
    "Harmonic distortion of the driven channel.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        FREQUENCY,
        real("level_mv", "mV", "rms of the fundamental at the terminals"),
        real("thd_pct", "%", "orders 2 to order_max relative to the fundamental, velocity domain"),
        real("h2_pct", "%", "second harmonic over the fundamental; a bound without h2_noise_pct"),
        real("h3_pct", "%", "third harmonic over the fundamental; a bound without h3_noise_pct"),
        real("h4_pct", "%", "fourth harmonic over the fundamental; a bound without h4_noise_pct"),
        real("h5_pct", "%", "fifth harmonic over the fundamental; a bound without h5_noise_pct"),
        real("thd_as_heard_pct", "%", "after the ideal replay equalisation"),
        Column("order_max", WHOLE, "", "highest order counted"),
        LIMITED,
        PLAYED,
        real("floor_pct", "%", "what noise alone would read as thd_pct"),
        real("noise_pct", "%", "standard uncertainty of thd_pct from noise; null where limited"),
        real("h2_noise_pct", "%", "standard uncertainty of h2_pct from noise; null for a bound"),
        real("h3_noise_pct", "%", "standard uncertainty of h3_pct from noise; null for a bound"),
        real("h4_noise_pct", "%", "standard uncertainty of h4_pct from noise; null for a bound"),
        real("h5_noise_pct", "%", "standard uncertainty of h5_pct from noise; null for a bound"),
    ),
    revision=2,
)
#: Metrics read from the curve: column and frequency.
AT_FREQUENCY = {
    "thd_1khz_pct": ("thd_pct", 1000.0),
    "thd_3khz_pct": ("thd_pct", 3000.0),
    "thd_5khz_pct": ("thd_pct", 5000.0),
    "thd_10khz_pct": ("thd_pct", 10_000.0),
    "h2_1khz_pct": ("h2_pct", 1000.0),
    "h3_1khz_pct": ("h3_pct", 1000.0),
}

#: Noise of each of these columns.
NOISE_OF = {"thd_pct": "noise_pct", "h2_pct": "h2_noise_pct", "h3_pct": "h3_noise_pct"}
#: Orders that have a column of their own.
COLUMN_ORDERS = (2, 3, 4, 5)


def is_used(track: Track) -> bool:
    """Whether distortion is read from a track: from tones, steps and sweeps in the audio band."""
    return track.kind in ("tone", "tone_steps", "sweep") and is_audio_band(track, "distortion")


def measure(context: CaptureContext) -> pa.Table:
    """Measure the harmonics of every driven channel.

    Each order's reading is brought to the terminals at its own frequency, its noise power is
    subtracted, and it is taken relative to the fundamental there: the velocity domain, apart from
    the cartridge's own response. `thd_as_heard_pct` puts the ideal IEC 60098 replay curve back.
    Orders that were not observed, being too near half the sampling rate, are missing, not zero.

    A row is `limited` where noise may move its distortion by more than 10 % of itself: its figures
    are then upper bounds (95 %), as is a single harmonic that noise may move so much. Without a
    fundamental that stands clear of the noise there is no distortion to state.
    """
    orders = terminals.by_channel(context.observations["orders"], context.chain)
    lines = harmonic_lines(orders)
    parts = [
        _rows(context, track, channel, readings(orders, track.track, channel, lines))
        for track in filter(is_used, context.side.tracks)
        for channel in track.driven_channels
    ]
    return tables.concat(TABLE, parts)


def _rows(context: CaptureContext, track: Track, channel: str, read: Readings) -> pa.Table:
    found = Harmonics(read, context.chain)
    as_heard = np.abs(harmonics_after_equaliser(found.ratio, read.played_hz, found.orders, "iec98"))
    columns = {f"h{order}_pct": 100.0 * found.single[:, order - 2] for order in COLUMN_ORDERS}
    columns |= {
        f"h{order}_noise_pct": 100.0 * found.single_noise[:, order - 2] for order in COLUMN_ORDERS
    }
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
            "noise_pct": 100.0 * found.noise,
        },
    )


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield distortion and its low orders at the metrics' frequencies."""

    def parts_pct(rows: Columns, column: str) -> dict[str, np.ndarray]:
        orders = COLUMN_ORDERS if column == "thd_pct" else (int(column[1]),)
        ratios = np.column_stack([rows[f"h{order}_pct"] for order in orders])
        return {
            "noise": rows[NOISE_OF[column]],
            **harmonic_parts(measured.chain, rows["frequency_hz"], np.array(orders), ratios),
        }

    yield from at_frequency(measured, "distortion", AT_FREQUENCY, parts_pct)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="a tone, stepped tones or a sweep in the audio band",
    metrics=(
        Metric(
            "thd_1khz_pct",
            "%",
            "Distortion at 1 kHz",
            repeatability=0.1,
            limit={"rises_to_factor": 2.0},
            least_share=0.1,
        ),
        Metric(
            "thd_3khz_pct",
            "%",
            "Distortion at 3 kHz",
            repeatability=0.1,
            limit={"rises_to_factor": 1.5},
            least_share=0.1,
        ),
        Metric(
            "thd_5khz_pct",
            "%",
            "Distortion at 5 kHz",
            repeatability=0.1,
            limit={"rises_to_factor": 1.5},
            least_share=0.1,
        ),
        Metric(
            "thd_10khz_pct",
            "%",
            "Distortion at 10 kHz",
            repeatability=0.1,
            limit={"rises_to_factor": 1.5},
            least_share=0.1,
        ),
        Metric(
            "h2_1khz_pct",
            "%",
            "Second harmonic at 1 kHz",
            repeatability=0.1,
            least_share=0.15,
        ),
        Metric(
            "h3_1khz_pct",
            "%",
            "Third harmonic at 1 kHz",
            repeatability=0.1,
            least_share=0.15,
        ),
    ),
    figures=figures,
)
