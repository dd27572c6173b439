"""The strongest tone of the sound above the silence."""

import numpy as np

from grooveledger.segment.envelope import Envelope
from grooveledger.segment.silence import Silence, opened_powers
from grooveledger.segment.sounding import sounding

FRAMES, RUMBLE, TREBLE = 200, 0, 10
BANDS = 11
FLOOR = np.where(np.arange(BANDS) == RUMBLE, 1e-5, 1e-10)
#: Rumble swings to ten times its median without being anything but silence.
STILL = Silence(
    floor=np.tile(FLOOR, (2, 1)),
    ceiling=np.tile(30.0 * FLOOR, (2, 1)),
    spread_db=np.full((2, BANDS), 3.0),
    moment_hz=2.0 * FLOOR * np.where(np.arange(BANDS) == RUMBLE, 8.0, 0.0),
)


def test_a_faint_tone_is_heard_over_rumble_that_swings_as_in_silence():
    power = np.tile(FLOOR, (FRAMES, 1))
    power[:, RUMBLE] *= 10.0
    power[:, TREBLE] = 1e-7
    hz = np.zeros(BANDS)
    hz[[RUMBLE, TREBLE]] = 8.0, 38_000.0
    whole = power.sum(axis=1)
    envelope = Envelope(
        hop_s=0.01,
        left=power,
        right=power,
        cross=power,
        moment_hz=2.0 * power * hz,
        total_left=whole,
        total_right=whole,
        clipped=np.zeros(FRAMES, int),
    )
    heard = sounding(envelope, opened_powers(envelope), STILL)
    np.testing.assert_allclose(heard.frequency_hz, 38_000.0, rtol=0.01)
