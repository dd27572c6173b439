"""The harmonic picture of a tone, at the cartridge's terminals."""

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Measure
from grooveledger.plan.uses import is_spectrum_tone
from grooveledger.schemas.table import CAPTURE, CHANNEL, TRACK, Table, real
from grooveledger.storage import tables

TABLE = Table(
    "spectrum",
    "measure",
    "Harmonic picture of a tone.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("tone_hz", "Hz", "nominal frequency of the tone"),
        real("frequency_hz", "Hz", "frequency of the line"),
        real("level_db", "dB", "re the fundamental, at the terminals"),
    ),
)


def measure(context: CaptureContext) -> pa.Table:
    """Bring the observed spectra of tones to the terminals.

    The replay curve and the preamplifier's own deviation are undone at each line's frequency
    relative to the tone's. The frequencies are those of a record at its nominal speed; what the
    speed error moves in the replay curve is below 0.06 dB for 1 %.
    """
    spectra = terminals.by_channel(context.observations["tone_spectrum"], context.chain)
    parts = []
    for track in filter(is_spectrum_tone, context.side.tracks):
        rows = spectra["track"] == track.track
        frequency_hz, tone_hz = spectra["frequency_hz"][rows], spectra["tone_hz"][rows]
        unit = np.ones(len(frequency_hz))
        line_mv = terminals.output_mv(unit, frequency_hz, context.chain)
        tone_mv = terminals.output_mv(unit, tone_hz, context.chain)
        parts.append(
            tables.build(
                TABLE,
                {
                    "capture": context.capture,
                    "track": track.track,
                    "channel": spectra["channel"][rows],
                    "tone_hz": tone_hz,
                    "frequency_hz": frequency_hz,
                    "level_db": spectra["level_db"][rows] + 20.0 * np.log10(line_mv / tone_mv),
                },
            )
        )
    return tables.concat(TABLE, parts)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_spectrum_tone,
    needs="a steady tone",
)
