"""First guess of a tone."""

import numpy as np
import pytest

from grooveledger.observe.carrier import tone_path
from grooveledger.observe.tone_search import tone_hz

RATE = 48_000


def stereo(sound, rest=0.0):
    rng = np.random.default_rng(1)
    both = np.stack([sound, 0.1 * sound]) + rest * rng.standard_normal((2, len(sound)))
    return both.astype(np.float32)


@pytest.mark.parametrize("hz", [50.3, 997.0, 3159.45, 15_000.7])
def test_a_tone_is_found_to_a_hundredth_of_its_resolution(hz):
    t = np.arange(2 * RATE) / RATE
    found_hz, channel = tone_hz(stereo(np.cos(2 * np.pi * hz * t), 0.01), RATE, hz * 1.04, 0.1)
    assert found_hz == pytest.approx(hz, abs=0.02)
    assert channel == 0


def test_a_tone_path_runs_at_its_frequency():
    _, rate = tone_path(3150.0, RATE, RATE).at(np.array([0.0, 1234.5, RATE - 1.0]))
    assert rate * RATE == pytest.approx([3150.0] * 3)
