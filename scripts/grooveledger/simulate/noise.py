"""Noise of groove, platter and electronics: densities in closed form, and sounds made of them."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from grooveledger.physics.equalisation import replay_response
from grooveledger.physics.weighting import a_weighting_db, rumble_weighting_db, weighting_468_db
from grooveledger.plan import Chain
from grooveledger.simulate.conditions import Conditions
from grooveledger.simulate.stylus import StylusTruth, terminals_matrix

Curve = Callable[[np.ndarray], np.ndarray]

#: Reference velocity of noise levels, cm/s rms per channel at 1 kHz.
REFERENCE_VELOCITY_CM_S = 5.0
#: What left and right count for in each quantity.
MIXES = {
    "left": (1.0, 0.0),
    "right": (0.0, 1.0),
    "lateral": (np.sqrt(0.5), np.sqrt(0.5)),
    "vertical": (np.sqrt(0.5), -np.sqrt(0.5)),
}
#: Rumble: a hump in velocity, falling as the square of frequency above, flat groove below.
RUMBLE_LOW_HZ, RUMBLE_HIGH_HZ = 9.0, 28.0
#: Surface noise: velocity density rising slowly above this frequency (from memory).
SURFACE_CORNER_HZ = 2500.0
#: Mains harmonics 1 to 10 relative to the first: odd ones dominate (common practice).
HUM_HARMONICS = (1.0, 0.35, 0.6, 0.12, 0.3, 0.06, 0.15, 0.03, 0.08, 0.02)
#: Band in which the levels are set and truth is integrated, Hz.
BAND_LOW_HZ, BAND_HIGH_HZ, BAND_STEP_HZ = 1.0, 24_000.0, 0.5
#: Log-normal spread of tick sizes, and length of a tick's decay.
TICK_SPREAD, TICK_DECAY_S = 0.6, 60e-6
#: Share of a tick's height that the slower part has, and its decay.
TICK_TAIL, TICK_TAIL_S = 0.12, 400e-6
#: Needle drop: decay of the broadband part and of the thump; 60 dB down within 0.3 s.
DROP_LENGTH_S, DROP_DECAY_S, THUMP_HZ = 0.3, 0.04, 25.0
#: Size of the two parts relative to the drop's; the replay equalisation lifts the bass.
CRACKLE_SHARE, THUMP_SHARE = 0.25, 0.1


def axis_density(frequency_hz: np.ndarray, conditions: Conditions) -> np.ndarray:
    """Return lateral and vertical groove noise density, (cm/s)^2 per Hz, shape (2, n).

    Each channel receives half of the sum; lateral and vertical parts are independent, so that
    left and right are correlated by what one exceeds the other.
    """
    density = np.zeros((2, len(frequency_hz)))
    if conditions.surface_a_db is not None:
        vertical = 10.0 ** (conditions.surface_vertical_db / 10.0)
        shape = _surface_shape(frequency_hz)
        scale = _scale(_surface_shape, a_weighting_db, conditions.surface_a_db)
        # half of (lateral + vertical) reaches a channel
        lateral = 2.0 / (1.0 + vertical) * scale
        density += np.multiply.outer(np.array([lateral, lateral * vertical]), shape)
    if conditions.rumble_db is not None:
        vertical = 10.0 ** (conditions.rumble_vertical_db / 10.0)
        scale = _scale(_rumble_shape, _rumble_unweighted_db, conditions.rumble_db)
        shape = _rumble_shape(frequency_hz)
        density += np.multiply.outer(np.array([scale, scale * vertical]), shape)
    return density


def hiss_density(stylus: StylusTruth, conditions: Conditions) -> float:
    """Return the white power density at the preamplifier's input, mV^2 a Hz."""
    if conditions.hiss_a_db is None:
        return 0.0
    scale = _scale(np.ones_like, a_weighting_db, conditions.hiss_a_db)
    return scale * _mean_sensitivity(stylus) ** 2


def hum_mv(stylus: StylusTruth, conditions: Conditions) -> np.ndarray:
    """Return peaks of mains harmonics 1 to 10 at the preamplifier, mV, alike in both channels.

    Their power sum after the replay equalisation is the level asked for.
    """
    size = np.array(HUM_HARMONICS)
    if conditions.hum_db is None:
        return 0.0 * size
    hz = conditions.mains_hz * np.arange(1, len(size) + 1)
    weighted = np.sum((size * np.abs(replay_response(hz, "iec98"))) ** 2)
    reference_mv = REFERENCE_VELOCITY_CM_S * _mean_sensitivity(stylus)
    wanted_mv = reference_mv * 10.0 ** (conditions.hum_db / 20.0)
    return np.sqrt(2.0) * size * wanted_mv / np.sqrt(weighted)


class NoiseTruth(NamedTuple):
    """Noise of left, right, lateral or vertical, dB relative to 5 cm/s rms a channel at 1 kHz."""

    rumble_unweighted_db: float
    rumble_weighted_db: float
    hum_db: float
    noise_a_db: float
    noise_468_rms_db: float


def noise_truth(stylus: StylusTruth, conditions: Conditions, chain: Chain) -> dict[str, NoiseTruth]:
    """Integrate the known densities by the definitions, as seen at the terminals.

    Each channel is divided by its sensitivity and taken after the ideal replay equalisation;
    lateral and vertical are the sum and difference over sqrt(2). Ticks are left out.

    Returns
    -------
    dict of str to NoiseTruth
        By left, right, lateral and vertical.
    """
    hz = np.arange(BAND_LOW_HZ, BAND_HIGH_HZ, BAND_STEP_HZ)
    matrix = terminals_matrix(hz, stylus, chain)
    replay = np.abs(replay_response(hz, "iec98")) ** 2 / REFERENCE_VELOCITY_CM_S**2
    groove = axis_density(hz, conditions)
    mains = conditions.mains_hz * np.arange(1, len(HUM_HARMONICS) + 1)
    lines = 0.5 * (hum_mv(stylus, conditions) * np.abs(replay_response(mains, "iec98"))) ** 2
    weightings: dict[str, Curve] = {
        "rumble_unweighted_db": _rumble_unweighted_db,
        "rumble_weighted_db": lambda hz: rumble_weighting_db(hz, "weighted"),
        "noise_a_db": a_weighting_db,
        "noise_468_rms_db": weighting_468_db,
    }
    gains = {name: 10.0 ** (curve(hz) / 10.0) for name, curve in weightings.items()}
    mains_gains = {name: 10.0 ** (curve(mains) / 10.0) for name, curve in weightings.items()}
    truths = {}
    for channel, mix in MIXES.items():
        weights = np.array(mix) / np.array(stylus.sensitivity_mv_per_cm_s)
        seen = np.einsum("c,cwn->wn", weights, matrix)
        axes = np.array([seen[0] + seen[1], seen[0] - seen[1]]) * np.sqrt(0.5)
        density = np.sum(np.abs(axes) ** 2 * groove, axis=0)
        density = (density + np.sum(weights**2) * hiss_density(stylus, conditions)) * replay
        hum = lines * np.sum(weights) ** 2 / REFERENCE_VELOCITY_CM_S**2
        levels_db = {
            name: _db(np.sum(density * gain) * BAND_STEP_HZ + np.sum(hum * mains_gains[name]))
            for name, gain in gains.items()
        }
        truths[channel] = NoiseTruth(hum_db=_db(np.sum(hum)), **levels_db)
    return truths


def tick_times(
    conditions: Conditions, start_s: float, stop_s: float, seed: int
) -> tuple[np.ndarray, np.ndarray]:
    """Draw times of a Poisson process of ticks, and peak velocities in cm/s, shape (n, 2)."""
    generator = np.random.default_rng([seed, 2])
    count = int(generator.poisson(conditions.ticks_per_min * (stop_s - start_s) / 60.0))
    times = np.sort(generator.uniform(start_s, stop_s, count))
    size = conditions.tick_cm_s * np.exp(TICK_SPREAD * generator.standard_normal(count))
    angle = generator.uniform(0.0, 2.0 * np.pi, count)
    return times, size[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])


def add_ticks(
    groove: np.ndarray, times_s: np.ndarray, sizes_cm_s: np.ndarray, sample_rate_hz: int
) -> None:
    """Add ticks to groove velocities of shape (2, n), in place."""
    length = int(8 * TICK_TAIL_S * sample_rate_hz)
    for time_s, sizes in zip(times_s, sizes_cm_s, strict=True):
        first = int(time_s * sample_rate_hz)
        after_s = (np.arange(min(length, groove.shape[1] - first)) + 0.5) / sample_rate_hz
        pulse = np.exp(-after_s / TICK_DECAY_S) - TICK_TAIL * np.exp(-after_s / TICK_TAIL_S)
        groove[:, first : first + len(after_s)] += np.multiply.outer(sizes, pulse)


def add_needle_drop(
    groove: np.ndarray, conditions: Conditions, sample_rate_hz: int, seed: int
) -> None:
    """Add the stylus's landing to groove velocities of shape (2, n), in place."""
    if not conditions.needle_drop_cm_s:
        return
    first = int(conditions.needle_drop_s * sample_rate_hz)
    length = min(int(DROP_LENGTH_S * sample_rate_hz), groove.shape[1] - first)
    after_s = np.arange(length) / sample_rate_hz
    fade = np.exp(-after_s / DROP_DECAY_S) * (1.0 - after_s / DROP_LENGTH_S)
    crackle = np.random.default_rng([seed, 3]).standard_normal((2, length))
    thump = np.sin(2.0 * np.pi * THUMP_HZ * after_s)
    sound = CRACKLE_SHARE * crackle + np.array([[0.2], [-1.0]]) * THUMP_SHARE * thump
    groove[:, first : first + length] += conditions.needle_drop_cm_s * fade * sound


def _surface_shape(frequency_hz: np.ndarray) -> np.ndarray:
    return 1.0 + (frequency_hz / SURFACE_CORNER_HZ) ** 2 / (1.0 + frequency_hz / 8000.0) ** 2


def _rumble_shape(frequency_hz: np.ndarray) -> np.ndarray:
    low = (frequency_hz / RUMBLE_LOW_HZ) ** 4
    return low / (1.0 + low) / (1.0 + (frequency_hz / RUMBLE_HIGH_HZ) ** 4)


def _rumble_unweighted_db(frequency_hz: np.ndarray) -> np.ndarray:
    return rumble_weighting_db(frequency_hz, "unweighted")


def _scale(shape: Curve, weighting_db: Curve, wanted_db: float) -> float:
    """Return the density, (cm/s)^2 per Hz, at which a shape reads a replayed, weighted level."""
    hz = np.arange(BAND_LOW_HZ, BAND_HIGH_HZ, BAND_STEP_HZ)
    gain = np.abs(replay_response(hz, "iec98")) ** 2 * 10.0 ** (weighting_db(hz) / 10.0)
    weighted = float(np.sum(shape(hz) * gain) * BAND_STEP_HZ)
    return float(REFERENCE_VELOCITY_CM_S**2 * 10.0 ** (wanted_db / 10.0) / weighted)


def _mean_sensitivity(stylus: StylusTruth) -> float:
    return float(np.mean(stylus.sensitivity_mv_per_cm_s))


def _db(power: float) -> float:
    with np.errstate(divide="ignore"):
        return float(10.0 * np.log10(power))
