"""The vector tracking filter, in closed form and against statistics of white noise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grooveledger.observe.order_tracking import (
    OVERLAP,
    PhasePath,
    averaging_gain,
    demodulate,
    noise_bandwidth_hz,
    noise_power,
    referred,
    tracking_window,
    unwrapped_cycles,
)

RATE = 48_000
HOP = 180


def wowed(hz, seconds, depth=0.002, rate=RATE):
    """Cycles of a tone with wow of 0.5556 Hz at each sample, and the path that follows it."""
    t = np.arange(int(seconds * rate) + 100) / rate

    def cycles(t):
        return hz * (t + depth * np.sin(2 * np.pi * 0.5556 * t) / (2 * np.pi * 0.5556))

    spacing = 1e-3 * rate
    knots = np.arange(int(seconds * 1000) + 10) * 1e-3
    return cycles(t), PhasePath(spacing, cycles(knots))


def test_orders_are_read_along_a_phase_that_wanders():
    cycles, path = wowed(1000.0, 3.0)
    turn = 2 * np.pi * cycles
    left = np.cos(turn + 0.3) + 0.01 * np.cos(2 * turn + 1.0) + 0.001 * np.cos(3 * turn - 2.0)
    right = 0.05 * np.cos(turn - 0.4)
    samples = np.stack([left, right]).astype(np.float32)
    z = demodulate(samples, [path], [(1,), (2,), (3,)], OVERLAP * HOP, HOP, 500)
    assert np.abs(z[:, 0, 0] - np.exp(0.3j)).max() < 1e-5
    assert np.abs(z[:, 1, 0] - 0.01 * np.exp(1.0j)).max() < 1e-6
    assert np.abs(z[:, 2, 0] - 0.001 * np.exp(-2.0j)).max() < 1e-6
    assert np.abs(z[:, 0, 1] - 0.05 * np.exp(-0.4j)).max() < 1e-6
    assert np.abs(z[:, 1:, 1]).max() < 1e-6


def test_a_long_stretch_is_read_in_sections_without_a_seam(monkeypatch):
    cycles, path = wowed(1000.0, 2.0)
    sound = np.cos(2 * np.pi * cycles)[None].astype(np.float32)
    whole = demodulate(sound, [path], [(1,), (2,)], OVERLAP * HOP, HOP, 300)
    monkeypatch.setattr("grooveledger.observe.order_tracking.SECTION", 64)
    cut = demodulate(sound, [path], [(1,), (2,)], OVERLAP * HOP, HOP, 300)
    assert cut.shape == whole.shape
    assert np.abs(cut - whole).max() < 1e-6


def test_a_path_of_other_samples_is_the_same_phase():
    _, path = wowed(440.0, 1.0)
    other = path.resampled(1234.5, 7.0)
    at = np.arange(0.0, 6000.0, 11.0)
    cycles, rate = path.at(1234.5 + 7.0 * at)
    assert other.at(at)[0] == pytest.approx(cycles, abs=1e-9)
    assert other.at(at)[1] == pytest.approx(7.0 * rate, rel=1e-9)


def test_references_turn_each_order_to_the_fundamental():
    cycles, path = wowed(700.0, 1.0)
    turn = 2 * np.pi * cycles + 1.1
    samples = np.stack([np.cos(turn) + 0.1 * np.cos(2 * turn), 0.5 * np.cos(turn + 0.25)])
    z = demodulate(samples.astype(np.float32), [path], [(1,), (2,)], OVERLAP * HOP, HOP, 100)
    z = referred(z, [(1,), (2,)], 0)
    assert np.abs(np.angle(z[:, 0, 0])).max() < 1e-5
    assert np.abs(np.angle(z[:, 1, 0])).max() < 1e-4
    assert np.angle(z[:, 0, 1]) == pytest.approx(0.25, abs=1e-5)


def test_sidebands_of_two_tones():
    high, high_path = wowed(4000.0, 1.0)
    low, low_path = wowed(400.0, 1.0)
    h, l = 2 * np.pi * high, 2 * np.pi * low  # noqa: E741
    sound = 0.8 * np.cos(l) + 0.2 * np.cos(h) * (1 + 0.05 * np.cos(l))
    components = [(1, 0), (0, 1), (1, -1), (1, 1), (1, 2)]
    samples = np.stack([sound, sound]).astype(np.float32)
    z = np.abs(demodulate(samples, [high_path, low_path], components, OVERLAP * HOP, HOP, 100))
    expected = [0.2, 0.8, 0.005, 0.005, 0.0]
    assert z.mean(axis=0)[:, 0] == pytest.approx(expected, abs=1e-6)


def test_noise_of_a_frame_is_what_the_window_lets_through():
    rng = np.random.default_rng(0)
    sigma = 0.1
    samples = (sigma * rng.standard_normal((1, 40 * RATE))).astype(np.float32)
    path = PhasePath(48.0, np.arange(40_010) * 1.0)
    z = demodulate(samples, [path], [(1,)], OVERLAP * HOP, HOP, 10_000)
    # A complex amplitude's noise power: 4 sigma^2 ENBW / rate (a cosine of peak A reads A).
    expected = 4 * sigma**2 * noise_bandwidth_hz(HOP, RATE) / RATE
    assert np.mean(np.abs(z) ** 2) == pytest.approx(expected, rel=0.05)
    assert np.mean(noise_power(z)) == pytest.approx(expected, rel=0.05)
    means = z[:10_000].reshape(-1, 25).mean(axis=1)
    gain = float(averaging_gain(np.array(25)))
    assert np.mean(np.abs(means) ** 2) == pytest.approx(expected * gain, rel=0.12)


def test_noise_power_passes_over_what_changes_slowly():
    frames = np.linspace(1.0, 2.0, 200) * np.exp(0.01j * np.arange(200))
    assert np.max(noise_power(frames[:, None, None])) < 1e-4


def test_window_is_that_of_the_table():
    # Harris 1978, table 1: 4-term Blackman-Harris has an equivalent noise bandwidth of 2.00 bins.
    window = tracking_window(512)
    bins = len(window) * np.sum(window**2) / np.sum(window) ** 2
    assert bins == pytest.approx(2.0044, abs=1e-3)
    assert np.sum(window) == pytest.approx(2.0)


@given(
    knots=st.lists(st.floats(-1, 1), min_size=6, max_size=20),
    rate=st.floats(0.001, 0.4),
)
@settings(max_examples=25, deadline=None)
def test_a_path_goes_through_its_knots_and_on_straight(knots, rate):
    spacing = 10.0
    cycles = rate * spacing * np.arange(len(knots)) + np.array(knots) * 1e-3
    path = PhasePath(spacing, cycles)
    at, _ = path.at(np.arange(len(knots)) * spacing)
    assert at == pytest.approx(cycles, abs=1e-9)
    beyond = np.array([(len(knots) - 1) * spacing + d for d in (0.0, 5.0, 10.0)])
    ahead, ahead_rate = path.at(beyond)
    assert np.diff(ahead) == pytest.approx(ahead_rate[:2] * 5.0, abs=1e-9)


def test_unwrapped_phase_has_no_jumps():
    cycles = np.linspace(0.0, 7.3, 300)
    assert unwrapped_cycles(np.exp(2j * np.pi * cycles)) == pytest.approx(cycles, abs=1e-9)
