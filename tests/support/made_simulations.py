"""Short simulated captures, and their samples read without the analysis code."""

import numpy as np

from grooveledger.physics.equalisation import replay_response
from grooveledger.plan import Chain, Side, Track
from grooveledger.simulate import Conditions, StylusTruth

RATE = 48_000
CHAIN = Chain("bench", 13.0, 0.3, 1.0, 110.0, 47_000.0, 45.0, 34.0, "iec98", 2.0)
STYLUS = StylusTruth()
QUICK = Conditions(needle_drop_s=0.3, lead_in_s=0.5, lead_out_s=0.5)


def side_of(*tracks: Track, calibration: tuple[tuple[int, float, float], ...] = ()) -> Side:
    return Side("invented", "a", 100.0 / 3.0, 1.0, tracks, calibration=calibration)


def tone(track: int, modulation: str, hz: float, duration_s: float = 2.0) -> Track:
    return Track(
        track, "tone", duration_s, modulation, velocity_cm_s=3.5, frequency_hz=hz, radius_mm=120.0
    )


def lines(samples: np.ndarray, start_s: float, stop_s: float, hz: np.ndarray) -> np.ndarray:
    """Complex peak amplitudes of lines by least squares, shape (lines, channels)."""
    first, last = int(start_s * RATE), int(stop_s * RATE)
    waves = np.exp(2j * np.pi * np.multiply.outer(np.arange(first, last) / RATE, hz))
    basis = np.hstack([waves.real, -waves.imag])
    found = np.linalg.lstsq(basis, samples[first:last], rcond=None)[0]
    return np.asarray(found[: len(hz)] + 1j * found[len(hz) :])


def volts_to_mv(hz: np.ndarray) -> np.ndarray:
    """Full scale to peak mV at the terminals, complex, written apart from the forward model."""
    gain = 10.0 ** (CHAIN.gain_db / 20.0) * replay_response(hz, "iec98")
    return np.asarray(CHAIN.full_scale_v_rms * np.sqrt(2.0) * 1000.0 / gain)


def read_tone(samples: np.ndarray, start_s: float, stop_s: float, hz: np.ndarray) -> np.ndarray:
    """Peak mV of lines at the terminals within a stretch, its edges left out."""
    found = lines(samples, start_s + 0.3, stop_s - 0.3, hz)
    return np.asarray(np.abs(found * volts_to_mv(hz)[:, None]))
