"""Output of tones at the cartridge's terminals, sensitivity, and phase between the channels."""

import numpy as np
import pyarrow as pa

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.fundamentals import fundamental, wrapped_deg
from grooveledger.measure.terminals import channel_velocity_rms_cm_s, output_mv
from grooveledger.physics.uncertainty import noise_level_db, tolerance_db
from grooveledger.plan import tracks_for
from grooveledger.schemas.measure import LEVEL
from grooveledger.storage import tables

TABLE = LEVEL


def measure(context: CaptureContext) -> pa.Table:
    """Measure the level of every tone.

    Output is at the track's nominal velocity: a platter that runs fast raises velocity and
    frequency together, so the output is divided by played over nominal frequency. Where noise hides
    the tone, output and sensitivity are upper bounds (95 %).

    Returns
    -------
    pyarrow.Table
        `schemas.measure.LEVEL`.
    """
    tolerances_db = tolerance_db(
        context.side.response_tolerance_db, context.chain.response_tolerance_db
    )
    parts = []
    for track in tracks_for("level", context.side):
        found = fundamental(context, track)
        if found is None:
            continue
        speed = found.played_hz / found.nominal_hz
        both = len(track.driven_channels) == 2
        phase_deg = wrapped_deg(found.phase_deg["right"] - found.phase_deg["left"])
        velocity = channel_velocity_rms_cm_s(track, found.nominal_hz, context.side)
        for channel in track.driven_channels:
            output = output_mv(found.amplitude[channel], found.played_hz, context.chain) / speed
            noise_db = noise_level_db(found.noise_to_signal(channel))
            parts.append(
                tables.build(
                    LEVEL,
                    {
                        "capture": context.capture,
                        "track": track.track,
                        "channel": channel,
                        "frequency_hz": found.nominal_hz,
                        "output_mv": output,
                        "sensitivity_mv_per_cm_s": output / velocity,
                        "interchannel_phase_deg": phase_deg if both else None,
                        "played_hz": found.played_hz,
                        "uncertainty_db": np.hypot(tolerances_db, noise_db),
                        "limited": found.limited[channel],
                    },
                )
            )
    return tables.concat(LEVEL, parts)
