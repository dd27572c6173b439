"""Frequency response of the driven channel, from sweeps and stepped tones."""

import numpy as np
import pyarrow as pa

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.curves import covers, value_at
from grooveledger.measure.fundamentals import fundamental
from grooveledger.measure.terminals import output_mv, recorded_deviation_db
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.uncertainty import noise_level_db, tolerance_db
from grooveledger.plan import tracks_for
from grooveledger.schemas.measure import RESPONSE
from grooveledger.storage import tables

TABLE = RESPONSE


def measure(context: CaptureContext) -> pa.Table:
    """Measure the response of every sweep and stepped track.

    The replay equalisation is undone at the played frequency, the recorded law and the record's
    calibration at the nominal one; what is left is the cartridge and its electrical load. Where
    noise hides the tone, the response is an upper bound (95 %).

    Returns
    -------
    pyarrow.Table
        `schemas.measure.RESPONSE`.
    """
    tolerances_db = tolerance_db(
        context.side.response_tolerance_db, context.chain.response_tolerance_db
    )
    parts = []
    for track in tracks_for("response", context.side):
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
                    RESPONSE,
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
    return tables.concat(RESPONSE, parts)


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
