"""Amplitude and frequency modulation of a high tone by a low one, in phase and in quadrature."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Measure, Metric
from grooveledger.measure.metric_rows import Figure, Measured, groups
from grooveledger.measure.two_tone import SIDEBANDS, modulated
from grooveledger.plan import Track
from grooveledger.schemas.table import CAPTURE, CHANNEL, LIMITED, TRACK, WHOLE, Column, Table, real
from grooveledger.storage import tables

TABLE = Table(
    "modulation",
    "measure",
    "Amplitude and frequency modulation of the high tone of two-tone tracks, at the terminals.",
    ("capture", "track", "channel", "low_order"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        Column("low_order", WHOLE, "", "times the low tone's frequency: 1 or 2"),
        real("low_hz", "Hz", "low tone"),
        real("high_hz", "Hz", "high tone"),
        real("am_in_phase_pct", "%", "amplitude modulation in phase with the low output"),
        real("am_quadrature_pct", "%", "the same a quarter period ahead of it"),
        real("fm_in_phase_pct", "%", "peak frequency deviation in phase with the low output"),
        real("fm_quadrature_pct", "%", "the same a quarter period ahead of it"),
        real("am_noise_pct", "%", "standard uncertainty of each amplitude figure from noise"),
        real("fm_noise_pct", "%", "standard uncertainty of each frequency figure from noise"),
        LIMITED,
    ),
)
#: Metrics of the first order: the columns of the figure and of its noise.
FIRST_ORDER = {
    "am_in_phase_pct": "am_noise_pct",
    "fm_in_phase_pct": "fm_noise_pct",
    "fm_quadrature_pct": "fm_noise_pct",
}


def is_used(track: Track) -> bool:
    """Whether modulation is read from a track: from two tones at once."""
    return track.kind == "two_tone" and track.serves("intermodulation", "distortion")


def measure(context: CaptureContext) -> pa.Table:
    """Split the sidebands of every driven channel into amplitude and frequency modulation.

    Every line is brought to the terminals at its own frequency, in amplitude and phase. Null where
    the two tones or a pair of sidebands do not stand clear of the noise.
    """
    orders = terminals.by_channel(context.observations["orders"], context.chain)
    parts = [
        _rows(context, track, channel, orders, low_order)
        for track in filter(is_used, context.side.tracks)
        for channel in track.driven_channels
        for low_order in SIDEBANDS
    ]
    return tables.concat(TABLE, parts)


def _rows(
    context: CaptureContext,
    track: Track,
    channel: str,
    orders: dict[str, np.ndarray],
    low_order: int,
) -> pa.Table:
    low_hz, high_hz = track.frequencies_hz
    found = modulated(orders, track, channel, low_order, context.chain)
    stated = {
        "am_in_phase_pct": found.am.real,
        "am_quadrature_pct": found.am.imag,
        "fm_in_phase_pct": found.fm.real,
        "fm_quadrature_pct": found.fm.imag,
        "am_noise_pct": found.am_noise,
        "fm_noise_pct": found.fm_noise,
    }
    return tables.build(
        TABLE,
        {
            "capture": context.capture,
            "track": track.track,
            "channel": channel,
            "low_order": np.full(len(found.is_clear), low_order),
            "low_hz": low_hz,
            "high_hz": high_hz,
            **{
                name: np.where(found.is_clear, 100.0 * values, np.nan)
                for name, values in stated.items()
            },
            "limited": ~found.is_clear,
        },
    )


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the modulation at the low tone's own frequency of every channel."""
    for track, channel, rows in groups(measured.tables, TABLE.name):
        first = int(np.flatnonzero(rows["low_order"] == 1)[0])
        limited = bool(rows["limited"][first])
        for metric, noise in FIRST_ORDER.items():
            value = float(rows[metric][first])
            yield Figure(metric, channel, track, value, float(rows[noise][first]), limited)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="two tones at once",
    metrics=(
        Metric(
            "am_in_phase_pct",
            "%",
            "Amplitude modulation, in phase",
            is_signed=True,
            least_change=0.2,
        ),
        Metric(
            "fm_in_phase_pct",
            "%",
            "Frequency modulation, in phase",
            is_signed=True,
            least_change=0.1,
        ),
        Metric(
            "fm_quadrature_pct",
            "%",
            "Frequency modulation, in quadrature",
            is_signed=True,
            least_change=0.1,
        ),
    ),
    figures=figures,
)
