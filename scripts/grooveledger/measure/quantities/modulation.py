"""Amplitude and frequency modulation of a high tone by a low one, in phase and in quadrature."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Measure, Metric
from grooveledger.measure.metric_rows import IN_PHASE, Figure, Measured, groups
from grooveledger.measure.readings import readings
from grooveledger.physics.noise_floor import is_heard
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
#: The high tone, the low one, then the sidebands below and above: one low tone away, two away.
LINES = ((1, 0), (0, 1), (1, -1), (1, 1), (1, -2), (1, 2))
#: Where the sidebands of each order stand among them.
SIDEBANDS = {1: (2, 3), 2: (4, 5)}
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
    read = readings(orders, track.track, channel, LINES)
    speed = read.played_hz[:, np.newaxis] / high_hz
    line_hz = speed * np.array([high * high_hz + low * low_hz for high, low in LINES])
    sent = terminals.output_mv(
        read.amplitude_fs * np.exp(1j * np.radians(read.phase_deg)), line_hz, context.chain
    )
    noise = terminals.output_mv(read.floor_fs, line_hz, context.chain)
    pair = list(SIDEBANDS[low_order])
    is_clear = (
        is_heard(np.abs(sent[:, :1]), noise[:, :1])
        & is_heard(np.abs(sent[:, 1:2]), noise[:, 1:2])
        & is_heard(np.abs(sent[:, pair]), noise[:, pair])
        & np.isfinite(sent[:, [0, 1, *pair]]).all(axis=1)
    )
    sent = np.where(is_clear[:, np.newaxis], sent, 1.0)
    noise = np.where(is_clear[:, np.newaxis], noise, 0.0)
    am, fm = modulation(sent[:, 0], sent[:, 1], sent[:, pair[0]], sent[:, pair[1]], low_order)
    fm_scale = low_order * low_hz / high_hz
    am_noise = IN_PHASE * np.hypot(*noise[:, pair].T) / np.abs(sent[:, 0])
    stated = {
        "am_in_phase_pct": am.real,
        "am_quadrature_pct": am.imag,
        "fm_in_phase_pct": fm_scale * fm.real,
        "fm_quadrature_pct": fm_scale * fm.imag,
        "am_noise_pct": am_noise,
        "fm_noise_pct": fm_scale * am_noise,
    }
    return tables.build(
        TABLE,
        {
            "capture": context.capture,
            "track": track.track,
            "channel": channel,
            "low_order": np.full(len(is_clear), low_order),
            "low_hz": low_hz,
            "high_hz": high_hz,
            **{name: np.where(is_clear, 100.0 * x, np.nan) for name, x in stated.items()},
            "limited": ~is_clear,
        },
    )


def modulation(
    high: np.ndarray, low: np.ndarray, below: np.ndarray, above: np.ndarray, low_order: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return amplitude modulation and frequency deviation of a pair of sidebands.

    With p and q the upper and the lower sideband over the carrier, both referred to the low tone's
    phase, the envelope has p + q* and the phase (p - q*)/j, whose derivative is the frequency.

    Returns
    -------
    tuple of ndarray of complex
        Depth, and frequency deviation relative to `low_order` times the low frequency; the real
        parts in phase with the low tone, the imaginary ones a quarter period ahead.
    """
    turn = (low / np.abs(low)) ** low_order
    p, q = above / high / turn, below / high * turn
    return p + np.conj(q), p - np.conj(q)


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
