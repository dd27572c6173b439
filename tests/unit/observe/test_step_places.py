"""Steps are located by what is played."""

import numpy as np
import pytest

from grooveledger.observe.sound import Sound
from grooveledger.observe.step_places import step_places
from grooveledger.plan import Track

RATE = 44_100
THIRDS_HZ = (40.0, 50.0, 63.0, 80.0, 100.0, 200.0, 400.0, 800.0, 1600.0, 5000.0, 10_000.0)


def stepped(pieces, begin_s, thump_s=None, noise=0.003):
    """A sound of (hz, peak, seconds) pieces from a moment on, with a thump at another."""
    rng = np.random.default_rng(4)
    sound = [np.zeros(int(begin_s * RATE))]
    for hz, peak, seconds in pieces:
        sound.append(peak * np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE)) / RATE))
    sound.append(np.zeros(RATE))
    sound = np.concatenate(sound)
    sound += noise * rng.standard_normal(len(sound))
    if thump_s is not None:
        t = np.maximum(np.arange(len(sound)) / RATE - thump_s, 0.0)
        sound += np.where(t > 0, np.exp(-t / 0.1) * np.sin(2 * np.pi * 30.0 * t), 0.0)
    return np.stack([sound, 0.7 * sound]).astype(np.float32)


@pytest.mark.parametrize("longer", [0.9, 1.0, 1.1])
@pytest.mark.parametrize("off", [0.98, 1.02])
def test_frequencies_place_steps_whatever_begins_the_track(longer, off):
    samples = stepped([(hz * off, 0.3, 2.0 * longer) for hz in THIRDS_HZ], 2.0, thump_s=0.8)
    track = Track(1, "tone_steps", 22.0, "lateral", frequencies_hz=THIRDS_HZ, step_s=2.0)
    places = step_places(Sound(samples, RATE, 0.0, 0.8, 24.0), track, 1.0)
    assert [one.step for one in places] == list(range(len(THIRDS_HZ)))
    for one in places:
        assert one.begin_s == pytest.approx(2.0 + 2.0 * longer * one.step, abs=0.05)
        assert one.end_s == pytest.approx(2.0 + 2.0 * longer * (one.step + 1), abs=0.05)


def test_a_step_that_was_not_played_is_not_there():
    played = [hz for hz in THIRDS_HZ if hz != 400.0]
    samples = stepped([(hz, 0.3, 2.0) for hz in played], 1.0)
    track = Track(1, "tone_steps", 22.0, "lateral", frequencies_hz=THIRDS_HZ, step_s=2.0)
    places = step_places(Sound(samples, RATE, 0.0, 1.0, 21.0), track, 1.0)
    assert THIRDS_HZ.index(400.0) not in [one.step for one in places]


@pytest.mark.parametrize("longer", [0.9, 1.08])
def test_levels_place_steps_of_one_frequency(longer):
    um = (20.0, 30.0, 40.0, 50.0, 60.0)
    samples = stepped([(315.0, 0.005 * a, 2.0 * longer) for a in um], 2.0)
    track = Track(
        1, "amplitude_steps", 10.0, "lateral", frequency_hz=315.0, amplitudes_um=um, step_s=2.0
    )
    places = step_places(Sound(samples, RATE, 0.0, 1.7, 12.0), track, 1.0)
    assert [one.step for one in places] == list(range(5))
    for one in places:
        assert one.begin_s == pytest.approx(2.0 + 2.0 * longer * one.step, abs=0.1)
