"""Response of arm and cartridge around their resonance, from low sweeps."""

import pyarrow as pa

from grooveledger.measure.axis_response import axis_response
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Measure
from grooveledger.plan.uses import is_resonance_sweep
from grooveledger.schemas.table import CAPTURE, FREQUENCY, TRACK, Table, real, text
from grooveledger.storage import tables

TABLE = Table(
    "resonance",
    "measure",
    "Response of arm and cartridge around their resonance.",
    ("capture", "track", "axis", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        text("axis", "lateral or vertical"),
        FREQUENCY,
        real("response_db", "dB", "relative to the response an octave below the sweep's upper end"),
    ),
)


def measure(context: CaptureContext) -> pa.Table:
    """Measure the response of both channels together along each low sweep's axis.

    The replay curve, the recorded law and the record's calibration are undone. Points that noise
    hides are left out. The response is null throughout where the sweep was not heard at the octave
    below its upper end, to which it is referred.
    """
    parts = []
    for track in filter(is_resonance_sweep, context.side.tracks):
        found = axis_response(context, track)
        parts.append(
            tables.build(
                TABLE,
                {
                    "capture": context.capture,
                    "track": track.track,
                    "axis": track.modulation,
                    "frequency_hz": found.frequency_hz,
                    "response_db": found.response_db,
                },
            )
        )
    return tables.concat(TABLE, parts)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_resonance_sweep,
    needs="a lateral or vertical sweep through the lowest frequencies",
)
