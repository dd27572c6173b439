"""Balance and phase of the channels against frequency, where one modulation drives both."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.curve_metrics import at_frequency
from grooveledger.measure.declaration import NOT_PLAYS, Measure, Metric
from grooveledger.measure.fundamentals import Fundamental, fundamental, wrapped_deg
from grooveledger.measure.metric_rows import IN_PHASE, Columns, Figure, Measured
from grooveledger.physics.uncertainty import noise_level_db, rectangular
from grooveledger.plan import Track
from grooveledger.plan.curves import joined
from grooveledger.plan.uses import is_audio_band
from grooveledger.schemas.table import (
    CAPTURE,
    FREQUENCY,
    LIMITED,
    PLAYED,
    TRACK,
    WHOLE,
    Column,
    Table,
    real,
    text,
)
from grooveledger.storage import tables

TABLE = Table(
    "channel_match",
    "measure",
    "Balance and phase of the channels on lateral and vertical tracks.",
    ("capture", "track", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        text("channel", "both"),
        FREQUENCY,
        real("balance_db", "dB", "right relative to left"),
        real("phase_deg", "deg", "right less left, less 180 on a vertical track"),
        text("polarity", "as described, or reversed where one channel is; null where not certain"),
        real("noise_db", "dB", "standard uncertainty of the balance from noise"),
        real("phase_noise_deg", "deg", "standard uncertainty of the phase from noise"),
        LIMITED,
        PLAYED,
        Column("part", WHOLE, "", "track that the point was read from; `track` names its curve"),
    ),
)
#: Metrics read from the curve: column and frequency.
AT_FREQUENCY = {
    "balance_10khz_db": ("balance_db", 10_000.0),
    "phase_10khz_deg": ("phase_deg", 10_000.0),
}
#: Channels of the same polarity are within this of the phase described, those of opposite polarity
#: within as much of its opposite, in most readings of a curve up to so high a frequency: above, the
#: resonances of tip and coil may part the channels (our choice).
POLARITY_DEG, POLARITY_UP_TO_HZ = 60.0, 5000.0


def is_used(track: Track) -> bool:
    """Whether the channels are compared on a track: on one that drives both alike."""
    return (
        track.kind in ("tone", "sweep", "tone_steps")
        and track.modulation in ("lateral", "vertical")
        and is_audio_band(track, "level", "response")
    )


def measure(context: CaptureContext) -> pa.Table:
    """Compare the channels of every lateral or vertical track.

    Both channels pass the same chain at the same frequency: gain and replay curve cancel. Where
    noise hides either there is no figure.
    """
    parts = []
    for group in joined(context.side, is_used):
        read = [(track, fundamental(context, track)) for track in group]
        rows = [_points(track, found) for track, found in read if found is not None]
        if not rows:
            continue
        points = {name: np.concatenate([one[name] for one in rows]) for name in rows[0]}
        # Of several readings at one frequency, the first.
        _, first = np.unique(points["frequency_hz"], return_index=True)
        points = {name: values[np.sort(first)] for name, values in points.items()}
        shared = {
            "capture": context.capture,
            "track": group[0].track,
            "channel": "both",
            "polarity": polarity(points["frequency_hz"], points["phase_deg"]),
        }
        parts.append(tables.build(TABLE, {**shared, **points}))
    return tables.concat(TABLE, parts)


def polarity(frequency_hz: np.ndarray, phase_deg: np.ndarray) -> str | None:
    """Return whether the channels' polarity is as described, reversed, or None if not certain.

    Examples
    --------
    >>> hz = np.array([300.0, 1000.0, 3000.0])
    >>> polarity(hz, np.array([2.0, -3.0, 10.0])), polarity(hz, np.array([178.0, -175.0, 160.0]))
    ('as described', 'reversed')
    """
    phase_deg = np.abs(phase_deg[(frequency_hz <= POLARITY_UP_TO_HZ) & np.isfinite(phase_deg)])
    if not len(phase_deg):
        return None
    if np.mean(phase_deg < POLARITY_DEG) > 0.5:
        return "as described"
    return "reversed" if np.mean(phase_deg > 180.0 - POLARITY_DEG) > 0.5 else None


def _points(track: Track, found: Fundamental) -> dict[str, np.ndarray]:
    """Return the rows that one track adds to a curve."""
    limited = found.limited["left"] | found.limited["right"]
    left, right = (np.where(limited, np.nan, found.amplitude[c]) for c in ("left", "right"))
    turned_deg = 180.0 if track.modulation == "vertical" else 0.0
    phase_deg = wrapped_deg(found.phase_deg["right"] - found.phase_deg["left"] - turned_deg)
    noise = np.hypot(*(found.noise_to_signal(c) for c in ("left", "right")))
    noise_db = np.hypot(*(noise_level_db(found.noise_to_signal(c)) for c in ("left", "right")))
    return {
        "frequency_hz": found.played_hz if track.kind == "sweep" else found.nominal_hz,
        "balance_db": 20.0 * np.log10(right / left),
        "phase_deg": np.where(limited, np.nan, phase_deg),
        "noise_db": np.where(limited, np.nan, noise_db),
        "phase_noise_deg": np.where(limited, np.nan, np.degrees(IN_PHASE * noise)),
        "limited": limited,
        "played_hz": found.played_hz,
        "part": np.full(len(limited), track.track),
    }


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield balance and phase at the metrics' frequency."""
    match_db = float(rectangular(measured.chain.channel_match_db))

    def parts_of(rows: Columns, column: str) -> dict[str, np.ndarray]:
        if column == "phase_deg":
            return {"noise": rows["phase_noise_deg"]}
        return {"noise": rows["noise_db"], "gain": np.full(len(rows["noise_db"]), match_db)}

    yield from at_frequency(measured, TABLE.name, AT_FREQUENCY, parts_of)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="a lateral or vertical tone, sweep or stepped tones",
    metrics=(
        Metric(
            "balance_10khz_db",
            "dB",
            "Balance at 10 kHz, right relative to left",
            repeatability=0.15,
            least_change=0.5,
            is_signed=True,
        ),
        Metric(
            "phase_10khz_deg",
            "deg",
            "Phase at 10 kHz, right relative to left",
            covariates=NOT_PLAYS,
            repeatability=2.0,
            least_change=10.0,
            is_signed=True,
        ),
    ),
    figures=figures,
)
