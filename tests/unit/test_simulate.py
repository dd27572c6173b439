"""The forward model against closed forms: what is in the samples is what the truth says."""

import numpy as np
import pytest
from grooveledger.equalisation import replay_response
from grooveledger.plan import Chain, Side, Track
from grooveledger.simulate import Conditions, StylusTruth, simulate_capture

RATE = 48_000
CHAIN = Chain("bench", 13.0, 0.3, 1.0, 110.0, 47_000.0, 45.0, 34.0, "iec98", 2.0)
STYLUS = StylusTruth()


def side_of(*tracks: Track) -> Side:
    return Side("invented", "a", 100.0 / 3.0, 2.0, tracks)


def tone(track: int, modulation: str, hz: float, duration_s: float = 3.0) -> Track:
    return Track(
        track, "tone", duration_s, modulation, velocity_cm_s=3.5, frequency_hz=hz, radius_mm=120.0
    )


def lines(samples: np.ndarray, start_s: float, stop_s: float, hz: list[float]) -> np.ndarray:
    """Complex peak amplitudes of lines by least squares, shape (lines, channels)."""
    first, last = int(start_s * RATE), int(stop_s * RATE)
    time_s = np.arange(first, last) / RATE
    waves = np.exp(2j * np.pi * np.multiply.outer(time_s, hz))
    basis = np.hstack([waves.real, -waves.imag])
    found = np.linalg.lstsq(basis, samples[first:last], rcond=None)[0]
    return found[: len(hz)] + 1j * found[len(hz) :]


def volts_to_mv(hz: np.ndarray) -> np.ndarray:
    """Full scale to peak mV at the terminals, written apart from the forward model."""
    gain = 10.0 ** (CHAIN.gain_db / 20.0) * replay_response(hz, "iec98")
    return CHAIN.full_scale_v_rms * np.sqrt(2.0) * 1000.0 / gain


@pytest.mark.parametrize("modulation", ["left", "right", "lateral", "vertical"])
def test_orders_of_a_tone_at_the_terminals(modulation: str) -> None:
    side = side_of(tone(1, modulation, 1000.0))
    samples, truth = simulate_capture(side, STYLUS, CHAIN, Conditions(), RATE, seed=3)
    placed = truth.placed(1)
    hz = np.arange(1, 6) * 1000.0
    found = lines(samples, placed.start_s + 0.5, placed.stop_s - 0.5, list(hz))
    found = np.abs(found * volts_to_mv(hz)[:, None])
    expected = np.abs(truth.components(1, 1000.0)[:, :, 0])
    assert found == pytest.approx(expected, rel=2e-4, abs=1e-6)
