"""Channel separation: driven over undriven output of the same track, at the terminals."""

import numpy as np
import pyarrow as pa

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.fundamentals import fundamental, wrapped_deg
from grooveledger.measure.terminals import OTHER
from grooveledger.plan import tracks_for
from grooveledger.schemas.measure import SEPARATION
from grooveledger.storage import tables

TABLE = SEPARATION


def measure(context: CaptureContext) -> pa.Table:
    """Measure the separation of every track that drives one channel alone.

    Both channels pass the same chain at the same frequency, so that gain and replay curve cancel;
    no correction is made for balance. Where noise hides the crosstalk the row is limited and the
    separation is at least what is stated (95 %); where it hides the driven channel there is none.

    Returns
    -------
    pyarrow.Table
        `schemas.measure.SEPARATION`.
    """
    parts = []
    for track in tracks_for("separation", context.side):
        found = fundamental(context, track)
        if found is None or track.modulation is None:
            continue
        driven, undriven = track.modulation, OTHER[track.modulation]
        limited = found.limited[undriven] | found.limited[driven]
        heard = np.where(found.limited[driven], np.nan, found.amplitude[driven])
        parts.append(
            tables.build(
                SEPARATION,
                {
                    "capture": context.capture,
                    "track": track.track,
                    "channel": driven,
                    "frequency_hz": (
                        found.played_hz if track.kind == "sweep" else found.nominal_hz
                    ),
                    "separation_db": _ratio_db(heard, found.amplitude[undriven]),
                    "crosstalk_phase_deg": np.where(
                        limited,
                        np.nan,
                        wrapped_deg(found.phase_deg[undriven] - found.phase_deg[driven]),
                    ),
                    "floor_db": _ratio_db(heard, found.floor[undriven]),
                    "limited": limited,
                    "played_hz": found.played_hz,
                },
            )
        )
    return tables.concat(SEPARATION, parts)


def _ratio_db(numerator: np.ndarray, denominator: np.ndarray) -> np.ndarray:
    """20 log10 of a ratio of amplitudes; NaN where either is nothing."""
    present = (numerator > 0) & (denominator > 0)
    ratio = np.divide(numerator, denominator, out=np.full(numerator.shape, np.nan), where=present)
    return np.asarray(20.0 * np.log10(ratio))
