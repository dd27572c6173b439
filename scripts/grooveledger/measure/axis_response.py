"""Response of arm and cartridge along the axis of a low sweep."""

from typing import NamedTuple

import numpy as np

from grooveledger.measure import terminals
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.curves import value_at
from grooveledger.measure.readings import readings
from grooveledger.physics.noise_floor import is_heard
from grooveledger.plan import Track

FUNDAMENTAL = ((1, 0),)
#: The right channel's sign along each axis: lateral (L + R) / sqrt 2, vertical (L - R) / sqrt 2.
RIGHT_SIGN = {"lateral": 1.0, "vertical": -1.0}


class AxisResponse(NamedTuple):
    """Response along a sweep's axis, frequencies rising.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
        As played.
    response_db, noise_db : ndarray, shape (n,)
        Re the response one octave below the track's upper end, and the noise's standard deviation.
    """

    frequency_hz: np.ndarray
    response_db: np.ndarray
    noise_db: np.ndarray


def axis_response(context: CaptureContext, track: Track) -> AxisResponse:
    """Return the response along a low sweep's axis."""
    orders = terminals.by_channel(context.observations["orders"], context.chain)
    left = readings(orders, track.track, "left", FUNDAMENTAL)
    right = readings(orders, track.track, "right", FUNDAMENTAL)
    sign = RIGHT_SIGN[str(track.modulation)]
    sum_fs = _phasor(left.amplitude_fs, left.phase_deg) + sign * _phasor(
        right.amplitude_fs, right.phase_deg
    )
    amplitude_fs = np.abs(sum_fs) / np.sqrt(2.0)
    floor_fs = np.hypot(left.floor_fs, right.floor_fs) / np.sqrt(2.0)
    clear = is_heard(amplitude_fs, floor_fs)
    clean_fs = terminals.denoised(amplitude_fs, floor_fs)[clear, 0]
    played_hz, nominal_hz = left.played_hz[clear], left.nominal_hz[clear]
    recorded_db = terminals.recorded_deviation_db(track, nominal_hz, context.side)
    level_db = 20.0 * np.log10(terminals.output_mv(clean_fs, played_hz, context.chain))
    level_db = level_db - recorded_db
    noise_db = 20.0 / np.log(10.0) * floor_fs[clear, 0] / (np.sqrt(2.0) * clean_fs)
    rising = np.argsort(played_hz, kind="stable")
    reference_db = value_at(played_hz[rising], level_db[rising], 0.5 * track.highest_hz)
    return AxisResponse(played_hz[rising], level_db[rising] - reference_db, noise_db[rising])


def _phasor(amplitude: np.ndarray, phase_deg: np.ndarray) -> np.ndarray:
    return amplitude * np.exp(1j * np.radians(phase_deg))
