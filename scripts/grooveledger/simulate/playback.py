"""Cartridge, preamplifier and converter: from groove velocities to samples."""

import math

import numpy as np
import scipy.fft as fft

from grooveledger.physics.equalisation import replay_response
from grooveledger.plan import Chain
from grooveledger.simulate.conditions import Conditions
from grooveledger.simulate.noise import axis_density, hiss_density, hum_mv
from grooveledger.simulate.stylus import StylusTruth, terminals_matrix

#: Length of a filter block and of the tail kept for its ringing (an arm resonance of Q 4 at 7 Hz
#: is 60 dB down after 1.3 s), s.
BLOCK_S, TAIL_S = 12.0, 1.5


def play(
    groove: np.ndarray,
    stylus: StylusTruth,
    chain: Chain,
    conditions: Conditions,
    sample_rate_hz: int,
    seed: int,
) -> np.ndarray:
    """Filter long blocks as cartridge and preamplifier do; volts, float32, shape (2, n).

    Groove noise enters as velocity, hiss and hum as voltage at the preamplifier's input.
    """
    frames = groove.shape[1]
    tail = int(TAIL_S * sample_rate_hz)
    size = fft.next_fast_len(int(min(BLOCK_S * sample_rate_hz, frames)) + 2 * tail, real=True)
    block = size - 2 * tail
    hz = np.fft.rfftfreq(size, 1.0 / sample_rate_hz)
    preamplifier = _preamplifier(hz, chain)
    matrix = terminals_matrix(np.maximum(hz, 1e-6), stylus, chain) * preamplifier
    density = np.sqrt(axis_density(np.maximum(hz, 1e-6), conditions) * sample_rate_hz / 2.0)
    swing = np.sqrt(0.5) * density
    noise_matrix = np.array(
        [[(row[0] + row[1]) * swing[0], (row[0] - row[1]) * swing[1]] for row in matrix]
    ).astype(np.complex64)
    matrix = matrix.astype(np.complex64)
    has_noise = bool(np.any(density))
    hiss = float(np.sqrt(hiss_density(stylus, conditions) * sample_rate_hz / 2.0))
    hiss_gain = (hiss * preamplifier).astype(np.complex64)
    generator = np.random.default_rng([seed, 4])
    volts = np.zeros((2, frames + 2 * tail), np.float32)
    landed = int(conditions.needle_drop_s * sample_rate_hz)
    for start in range(0, frames, block):
        stop = min(start + block, frames)
        spectrum = fft.rfft(groove[:, start:stop], size)
        output = _applied(matrix, spectrum)
        if has_noise:
            white = generator.standard_normal((2, stop - start), np.float32)
            white[:, : max(landed - start, 0)] = 0.0
            output += _applied(noise_matrix, fft.rfft(white, size))
        if hiss:
            white = generator.standard_normal((2, stop - start), np.float32)
            output += hiss_gain * fft.rfft(white, size)
        played = fft.irfft(output, size)
        # what a filter that ends at half the rate does ahead of time lies at the block's end
        volts[:, start + tail : stop + 2 * tail] += played[:, : stop - start + tail]
        volts[:, start : start + tail] += played[:, size - tail :]
    volts = volts[:, tail : tail + frames]
    _add_hum(volts, stylus, chain, conditions, sample_rate_hz)
    return volts


def _applied(matrix: np.ndarray, spectrum: np.ndarray) -> np.ndarray:
    """Return the product of a (2, 2, n) matrix and a (2, n) spectrum at each frequency."""
    return matrix[:, 0] * spectrum[0] + matrix[:, 1] * spectrum[1]


def _preamplifier(hz: np.ndarray, chain: Chain) -> np.ndarray:
    """Return volts out per mV in: gain, replay equalisation, the preamplifier's own deviation."""
    gain = 1e-3 * 10.0 ** (chain.gain_db / 20.0) * replay_response(hz, chain.equalisation)
    if chain.preamplifier_response:
        rows_hz, rows_db = np.array(sorted(chain.preamplifier_response)).T
        deviation_db = np.interp(np.log(np.maximum(hz, 1e-3)), np.log(rows_hz), rows_db)
        gain = gain * 10.0 ** (deviation_db / 20.0)
    return gain


def _add_hum(
    volts: np.ndarray,
    stylus: StylusTruth,
    chain: Chain,
    conditions: Conditions,
    sample_rate_hz: int,
) -> None:
    if conditions.hum_db is None:
        return
    orders = np.arange(1, 11)
    hz = conditions.mains_hz * orders
    sizes = hum_mv(stylus, conditions) * _preamplifier(hz, chain)
    # sampling rate and mains have a short common period: one, repeated
    period = sample_rate_hz // math.gcd(sample_rate_hz, int(conditions.mains_hz))
    time_s = np.arange(period) / sample_rate_hz
    waves = np.exp(2j * np.pi * np.multiply.outer(hz, time_s))
    wave = np.sum(np.real(sizes[:, None] * waves), axis=0).astype(np.float32)
    for first in range(0, volts.shape[1], period):
        part = volts[:, first : first + period]
        part += wave[: part.shape[1]]


def convert(volts: np.ndarray, chain: Chain, conditions: Conditions) -> np.ndarray:
    """Apply polarity, channel order, offset and full scale of the converter; samples (n, 2)."""
    volts /= np.float32(chain.full_scale_v_rms * np.sqrt(2.0))
    for name in chain.invert:
        volts[("left", "right").index(name)] *= -1.0
    if chain.swap_channels:
        volts = volts[::-1]
    volts += np.array(conditions.dc, np.float32)[:, None]
    np.clip(volts, -1.0, 1.0, out=volts)
    return np.ascontiguousarray(volts.T)
