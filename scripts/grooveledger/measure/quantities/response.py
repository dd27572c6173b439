"""Frequency response of the driven channel, from sweeps and stepped tones."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.curve_metrics import (
    at_frequency,
    response_shape,
)
from grooveledger.measure.curves import covers, value_at
from grooveledger.measure.declaration import NOT_PLAYS, Measure, Metric
from grooveledger.measure.fundamentals import fundamental
from grooveledger.measure.metric_rows import (
    Columns,
    Figure,
    Measured,
)
from grooveledger.measure.terminals import output_mv, recorded_deviation_db
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.uncertainty import noise_level_db, tolerance_db
from grooveledger.plan import Track
from grooveledger.plan.uses import is_audio_band
from grooveledger.schemas.table import (
    CAPTURE,
    CHANNEL,
    FREQUENCY,
    LIMITED,
    PLAYED,
    TRACK,
    Table,
    real,
)
from grooveledger.storage import tables

TABLE = Table(
    "response",
    "measure",
    "Frequency response of the driven channel.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        FREQUENCY,
        real("response_db", "dB", "re the reference frequency"),
        real("reference_hz", "Hz", "1000, or the centre of the nearest octave of the track"),
        real("uncertainty_db", "dB", "standard uncertainty"),
        PLAYED,
        LIMITED,
    ),
)
#: Metrics read from the curve: column and frequency.
AT_FREQUENCY = {
    "response_100hz_db": ("response_db", 100.0),
    "response_5khz_db": ("response_db", 5000.0),
    "response_10khz_db": ("response_db", 10_000.0),
    "response_15khz_db": ("response_db", 15_000.0),
    "response_20khz_db": ("response_db", 20_000.0),
}


def is_used(track: Track) -> bool:
    """Whether a response is read from a track: from sweeps and steps through the audio band."""
    return track.kind in ("sweep", "tone_steps") and is_audio_band(track, "response")


def measure(context: CaptureContext) -> pa.Table:
    """Measure the response of every sweep and stepped track.

    The replay equalisation is undone at the played frequency, the recorded law and the record's
    calibration at the nominal one; what is left is the cartridge and its electrical load. Where
    noise hides the tone, the response is an upper bound (95 %).

    Returns
    -------
    pyarrow.Table
        `TABLE`.
    """
    tolerances_db = tolerance_db(
        context.side.response_tolerance_db, context.chain.response_tolerance_db
    )
    parts = []
    for track in filter(is_used, context.side.tracks):
        found = fundamental(context, track)
        if found is None:
            continue
        frequency_hz = found.nominal_hz if track.kind == "tone_steps" else found.played_hz
        recorded_db = recorded_deviation_db(track, found.nominal_hz, context.side)
        for channel in track.driven_channels:
            output = output_mv(found.amplitude[channel], found.played_hz, context.chain)
            output = output * found.nominal_hz / found.played_hz
            response_db = 20.0 * np.log10(output) - recorded_db
            reference_hz, reference_db = _reference(frequency_hz, response_db)
            noise_db = noise_level_db(found.noise_to_signal(channel))
            parts.append(
                tables.build(
                    TABLE,
                    {
                        "capture": context.capture,
                        "track": track.track,
                        "channel": channel,
                        "frequency_hz": frequency_hz,
                        "response_db": response_db - reference_db,
                        "reference_hz": reference_hz,
                        "uncertainty_db": np.hypot(tolerances_db, noise_db),
                        "played_hz": found.played_hz,
                        "limited": found.limited[channel],
                    },
                )
            )
    return tables.concat(TABLE, parts)


def _reference(frequency_hz: np.ndarray, response_db: np.ndarray) -> tuple[float, float]:
    """Frequency and level that a response refers to.

    1 kHz where the curve covers it, else the mean over the octave of the curve nearest to 1 kHz,
    named by its geometric centre.
    """
    if covers(frequency_hz, REFERENCE_HZ):
        return REFERENCE_HZ, value_at(frequency_hz, response_db, REFERENCE_HZ)
    low, high = float(frequency_hz.min()), float(frequency_hz.max())
    octave = (low, 2.0 * low) if low > REFERENCE_HZ else (high / 2.0, high)
    octave = (max(octave[0], low), min(octave[1], high))
    inside = (frequency_hz >= octave[0]) & (frequency_hz <= octave[1])
    inside &= ~np.isnan(response_db)
    mean_db = float(np.mean(response_db[inside])) if inside.any() else float("nan")
    return float(np.sqrt(octave[0] * octave[1])), mean_db


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the response at the metrics' frequencies, and the shape of the curve."""
    yield from at_frequency(measured, "response", AT_FREQUENCY, uncertainty_db)
    yield from response_shape(measured)


def uncertainty_db(rows: Columns) -> np.ndarray:
    """Return the standard uncertainty of each point of a response."""
    return rows["uncertainty_db"]


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="a sweep or stepped tones through the audio band",
    metrics=(
        Metric("response_100hz_db", "dB", "Response at 100 Hz", covariates=NOT_PLAYS),
        Metric("response_5khz_db", "dB", "Response at 5 kHz", limit={"falls_by": 1.5}),
        Metric("response_10khz_db", "dB", "Response at 10 kHz", limit={"falls_by": 2.0}),
        Metric("response_15khz_db", "dB", "Response at 15 kHz", limit={"falls_by": 3.0}),
        Metric("response_20khz_db", "dB", "Response at 20 kHz", limit={"falls_by": 4.0}),
        Metric("response_peak_db", "dB", "Treble peak"),
        Metric("response_peak_hz", "Hz", "Treble peak lies at"),
        Metric("response_deviation_db", "dB", "Half the spread, 1 to 10 kHz"),
        Metric(
            "upper_limit_hz",
            "Hz",
            "Upper limit, \N{MINUS SIGN}3 dB",
            limit={"falls_to_factor": 0.8},
        ),
    ),
    figures=figures,
)
