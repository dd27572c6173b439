"""A sweep's ridge, phase and ends, where its description is off."""

import numpy as np
import pytest

from grooveledger.observe.filtered import FilteredStretch
from grooveledger.observe.phase_following import followed_phase
from grooveledger.observe.sound import Sound
from grooveledger.observe.sweep_path import edge_s, sweep_guess
from grooveledger.observe.sweep_ridge import Axis
from grooveledger.simulate.modulation import Law

RATE = 48_000
BEGIN_S = 2.837


def swept(law, noise=0.003, after_s=2.7, pilot_hz=None):
    """A sweep in the left channel, a tenth of it in the right, and its phase in cycles."""
    t = np.arange(int((BEGIN_S + law.duration_s + after_s) * RATE)) / RATE - BEGIN_S
    inside = (t >= 0.0) & (t < law.duration_s)
    cycles = law.cycles(np.clip(t, 0.0, law.duration_s))
    sound = np.where(inside, np.cos(2 * np.pi * cycles), 0.0)
    if pilot_hz:
        sound += np.where(t < -0.2, np.cos(2 * np.pi * pilot_hz * t), 0.0)
    rng = np.random.default_rng(1)
    both = np.stack([sound, 0.1 * sound]) + noise * rng.standard_normal((2, len(sound)))
    whole = Sound(both.astype(np.float32), RATE, 0.0, BEGIN_S, BEGIN_S + law.duration_s)
    return whole, cycles


@pytest.mark.parametrize("bend", [-0.04, 0.0, 0.04])
@pytest.mark.parametrize("longer", [0.9, 1.1])
@pytest.mark.parametrize("logarithmic", [True, False])
@pytest.mark.parametrize(
    ("start_hz", "stop_hz"), [(20.0, 20_000.0), (20_000.0, 500.0), (25.0, 4.0)]
)
def test_a_sweep_that_departs_from_its_description(start_hz, stop_hz, logarithmic, longer, bend):
    law = Law(start_hz * 1.05, stop_hz * 0.95, 20.0 * longer, logarithmic, bend)
    sound, _ = swept(law)
    axis = Axis(start_hz, stop_hz, logarithmic)
    guess = sweep_guess(sound, axis, 20.0)
    assert guess is not None
    assert guess.channel == 0
    at_s = np.linspace(BEGIN_S + 0.15 * law.duration_s, BEGIN_S + 0.85 * law.duration_s, 50)
    played_hz = guess.path.at(at_s * RATE)[1] * RATE
    assert played_hz == pytest.approx(law.hz(at_s - BEGIN_S), rel=0.02)
    # An end is known to a small part of a cycle or of 2.5 ms.
    for near, inward, true_s in (
        (guess.begin_s, 1, BEGIN_S),
        (guess.end_s, -1, BEGIN_S + law.duration_s),
    ):
        edge = edge_s(sound, guess.path, 0, near, inward)
        assert edge is not None
        hz = float(law.hz(np.array([true_s - BEGIN_S]))[0])
        assert edge == pytest.approx(true_s, abs=max(2e-3, 0.7 / hz))


def test_the_phase_is_followed_to_a_thousandth_of_a_cycle():
    law = Law(1000.0, 20_000.0, 15.0)
    sound, cycles = swept(law, noise=0.001)
    guess = sweep_guess(sound, Axis(1000.0, 20_000.0, True), 15.0)
    stretch = FilteredStretch(BEGIN_S + 0.1, BEGIN_S + 14.9, 0.012)
    phase = followed_phase(sound, guess.path, 0, [stretch])
    at = np.arange(int((BEGIN_S + 0.2) * RATE), int((BEGIN_S + 14.8) * RATE), 997)
    apart = phase.path.at(at.astype(float))[0] - cycles[at]
    assert np.abs(np.mod(apart + 0.5, 1.0) - 0.5).max() < 2e-3
    assert phase.followed(at.astype(float)).all()


def test_a_pilot_tone_is_no_part_of_the_sweep():
    law = Law(1000.0, 20_000.0, 15.0)
    sound, _ = swept(law, pilot_hz=1000.0)
    guess = sweep_guess(sound, Axis(1000.0, 20_000.0, True), 15.0)
    assert edge_s(sound, guess.path, 0, guess.begin_s, 1) == pytest.approx(BEGIN_S, abs=0.002)


def test_an_end_under_the_noise_is_not_made_up():
    law = Law(1000.0, 20_000.0, 15.0)
    sound, _ = swept(law)
    t = np.arange(sound.samples.shape[1]) / RATE - BEGIN_S
    # Falling by 30 dB an octave, which is no fade.
    sound.samples[:] *= np.where(t > 10.0, np.exp(-np.maximum(t - 10.0, 0.0)), 1.0)
    sound.samples[:] += 0.3 * np.random.default_rng(2).standard_normal(sound.samples.shape)
    guess = sweep_guess(sound, Axis(1000.0, 20_000.0, True), 15.0)
    assert guess.end_s < BEGIN_S + 14.5
    assert edge_s(sound, guess.path, 0, guess.end_s, -1) is None


def test_what_is_no_sweep_is_not_one():
    rng = np.random.default_rng(2)
    noise = rng.standard_normal((2, 11 * RATE)).astype(np.float32)
    axis = Axis(20.0, 20_000.0, True)
    assert sweep_guess(Sound(noise, RATE, 0.0, 0.4, 10.4), axis, 10.0) is None
    tone = noise * 0.01 + np.cos(2 * np.pi * 1000.0 * np.arange(11 * RATE) / RATE)
    sound = Sound(tone.astype(np.float32), RATE, 0.0, 0.4, 10.4)
    assert sweep_guess(sound, axis, 10.0) is None
    short = Sound(noise[:, :RATE], RATE, 0.0, 0.4, 0.9)
    assert sweep_guess(short, axis, 10.0) is None


@pytest.mark.parametrize("fade_s", [0.02, 0.1, 0.5])
@pytest.mark.parametrize(("start_hz", "stop_hz"), [(20.0, 20_000.0), (20_000.0, 1000.0)])
def test_a_faded_cut_begins_where_it_has_its_level(start_hz, stop_hz, fade_s):
    law = Law(start_hz, stop_hz, 30.0)
    sound, _ = swept(law)
    t = np.arange(sound.samples.shape[1]) / RATE - BEGIN_S
    inside = np.clip(np.minimum(t, law.duration_s - t) / fade_s, 0.0, 1.0)
    sound.samples[:] *= np.sin(0.5 * np.pi * inside) ** 2
    guess = sweep_guess(sound, Axis(start_hz, stop_hz, True), 30.0)
    for near, inward, end_s in (
        (guess.begin_s, 1, BEGIN_S),
        (guess.end_s, -1, BEGIN_S + law.duration_s),
    ):
        edge = edge_s(sound, guess.path, 0, near, inward)
        assert edge is not None
        if law.hz(np.array([edge - BEGIN_S]))[0] < 100.0:
            continue  # Three cycles there last as long as most fades; a reading takes eight.
        reached = np.sin(0.5 * np.pi * np.clip(inward * (edge - end_s) / fade_s, 0.0, 1.0)) ** 2
        assert 20.0 * np.log10(reached) > -0.15
        assert inward * (edge - end_s) < 1.3 * fade_s
