"""Frequency response of the driven channel, from sweeps and stepped tones."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure.budget import response_parts_db, speed_part_db
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.curve_metrics import at_frequency
from grooveledger.measure.declaration import NOT_PLAYS, Measure, Metric
from grooveledger.measure.fundamentals import fundamental
from grooveledger.measure.metric_rows import Columns, Figure, Measured
from grooveledger.measure.reference_level import reference_of
from grooveledger.measure.response_shape import response_shape
from grooveledger.measure.terminals import (
    output_mv,
    recorded_deviation_db,
    stated_velocity_rms_cm_s,
)
from grooveledger.physics.uncertainty import combine, noise_level_db
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
        real("response_db", "dB", "relative to the reference frequency"),
        real("reference_hz", "Hz", "1000, or the centre of the nearest octave of the track"),
        real("uncertainty_db", "dB", "standard uncertainty"),
        PLAYED,
        LIMITED,
        real("noise_db", "dB", "its part from noise alone"),
        real("speed_db", "dB", "its part from the platter's momentary speed"),
        real("sensitivity_mv_per_cm_s", "mV s/cm", "rms at the reference; null without a velocity"),
    ),
    revision=2,
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
    parts = []
    for track in filter(is_used, context.side.tracks):
        found = fundamental(context, track)
        if found is None:
            continue
        is_sweep = track.kind == "sweep"
        frequency_hz = found.played_hz if is_sweep else found.nominal_hz
        velocity_rms_cm_s = stated_velocity_rms_cm_s(track)
        recorded_db = recorded_deviation_db(track, found.nominal_hz, context.side)
        for channel in track.driven_channels:
            output = output_mv(found.amplitude[channel], found.played_hz, context.chain)
            output = output * found.nominal_hz / found.played_hz
            response_db = 20.0 * np.log10(output) - recorded_db
            noise_db = noise_level_db(found.noise_to_signal(channel))
            reference = reference_of(frequency_hz, response_db, noise_db, found.limited[channel])
            known_db = response_parts_db(
                context.side, context.chain, frequency_hz, np.array(reference.frequency_hz)
            )
            noise_db = np.hypot(noise_db, reference.noise_db)
            speed_db = speed_part_db(context) if is_sweep else 0.0
            # The track's velocity at the frequencies where its recorded law deviates by nothing.
            sensitivity = 10.0 ** (reference.level_db / 20.0) / velocity_rms_cm_s
            parts.append(
                tables.build(
                    TABLE,
                    {
                        "capture": context.capture,
                        "track": track.track,
                        "channel": channel,
                        "frequency_hz": frequency_hz,
                        "response_db": response_db - reference.level_db,
                        "reference_hz": reference.frequency_hz,
                        "uncertainty_db": combine(noise_db, speed_db, *known_db.values()),
                        "played_hz": found.played_hz,
                        "limited": found.limited[channel],
                        "noise_db": noise_db,
                        "speed_db": speed_db,
                        "sensitivity_mv_per_cm_s": sensitivity,
                    },
                )
            )
    return tables.concat(TABLE, parts)


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the response at the metrics' frequencies, and the shape of the curve."""

    def parts_db(rows: Columns, _: str) -> dict[str, np.ndarray]:
        return {
            "noise": rows["noise_db"],
            "speed": rows["speed_db"],
            **response_parts_db(
                measured.side, measured.chain, rows["frequency_hz"], rows["reference_hz"]
            ),
        }

    yield from at_frequency(measured, "response", AT_FREQUENCY, parts_db)
    yield from response_shape(measured, parts_db)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="a sweep or stepped tones through the audio band",
    metrics=(
        Metric(
            "response_100hz_db", "dB", "Response at 100 Hz", repeatability=0.1, covariates=NOT_PLAYS
        ),
        Metric(
            "response_5khz_db",
            "dB",
            "Response at 5 kHz",
            repeatability=0.1,
            limit={"falls_by": 1.5},
        ),
        Metric(
            "response_10khz_db",
            "dB",
            "Response at 10 kHz",
            repeatability=0.15,
            limit={"falls_by": 2.0},
        ),
        Metric(
            "response_15khz_db",
            "dB",
            "Response at 15 kHz",
            repeatability=0.25,
            limit={"falls_by": 3.0},
        ),
        Metric(
            "response_20khz_db",
            "dB",
            "Response at 20 kHz",
            repeatability=0.4,
            limit={"falls_by": 4.0},
        ),
        Metric("response_peak_db", "dB", "Treble peak", repeatability=0.2),
        Metric("response_peak_hz", "Hz", "Treble peak lies at"),
        Metric("response_deviation_db", "dB", "Half the spread, 1 to 10 kHz", repeatability=0.1),
        Metric(
            "upper_limit_hz",
            "Hz",
            "Upper limit, \N{MINUS SIGN}3 dB",
            limit={"falls_to_factor": 0.8},
        ),
    ),
    figures=figures,
)
