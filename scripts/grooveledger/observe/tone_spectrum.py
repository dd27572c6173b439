"""Spectrum of a tone on the axis of its own phase, where wow does not smear its harmonics."""

import functools
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.polynomial.chebyshev import chebval

from grooveledger.capture.fft_length import fast_length

CHANNELS = ("left", "right")
#: Longest stretch that is transformed, s: a line is then 1.3 Hz wide, and the cost is bounded.
LONGEST_S = 3.0
#: Lowest frequency kept, Hz.
BOTTOM_HZ = 10.0
#: Lines kept an octave: about 1800 from 10 Hz to 20 kHz.
LINES_PER_OCTAVE = 160
#: Before the interpolation the samples are at least so dense, 1/s: its error at 20 kHz is then
#: below -66 dB of the component there, at 10 kHz below -100 dB.
DENSE_HZ = 176_400.0
#: Ends that are faded before the dense samples are made, and left out afterwards.
FADE_SAMPLES = 1024
#: Offsets of the samples that an interpolated value is made from.
INTERPOLATION_NODES = (-2, -1, 0, 1, 2, 3)
#: Flat-top window of ISO 18431-2 (coefficients from memory): side lobes below -84 dB.
FLAT_TOP = (1.0, -1.933, 1.286, -0.388, 0.0322)
#: Half-width of its main lobe, bins.
FLAT_TOP_HALF_BINS = 5


def tone_spectrum(
    samples: np.ndarray,
    phase_rad: np.ndarray,
    sample_rate_hz: float,
    tone_hz: float,
    settings: Mapping[str, Any],
) -> dict[str, np.ndarray]:
    """Transform a tone resampled to equal steps of its phase.

    A whole number of cycles is taken from the middle of the stretch, so that every harmonic falls
    on a line of its own whatever the speed did. Between harmonics the strongest line of each small
    band is kept.

    Parameters
    ----------
    samples : ndarray, shape (n, 2)
        The tone as heard, left and right.
    phase_rad : ndarray, shape (n,)
        Played phase of the fundamental at each sample, unwrapped and rising.
    sample_rate_hz : float
        Sampling rate.
    tone_hz : float
        The tone's nominal frequency.
    settings : mapping
        `spectrum_top_hz`: highest frequency kept.

    Returns
    -------
    dict of ndarray
        Columns `channel`, `frequency_hz` (scaled so that the tone lies at `tone_hz`) and `level_db`
        (over the channel's own fundamental; NaN in a channel that has none). Empty where the
        stretch is shorter than a dozen cycles.
    """
    part = middle(len(samples), sample_rate_hz)
    samples, phase_rad = samples[part], phase_rad[part]
    length = len(samples)
    inner = slice(FADE_SAMPLES, length - FADE_SAMPLES)
    turns = phase_rad / (2.0 * np.pi)
    cycles = int(turns[inner][-1] - turns[inner][0]) if length > 2 * FADE_SAMPLES + 1 else 0
    if cycles < 2 * FLAT_TOP_HALF_BINS + 2:
        return {name: np.empty(0) for name in ("channel", "frequency_hz", "level_db")}
    lines = _lines(_on_phase(samples, turns, cycles, sample_rate_hz))
    line_hz = tone_hz * np.arange(lines.shape[1]) / cycles
    top_hz = min(float(settings["spectrum_top_hz"]), 0.5 * sample_rate_hz)
    parts = _thinned(line_hz, lines, cycles, top_hz)
    return {
        "channel": np.repeat(np.array(CHANNELS, dtype=object), [len(part[0]) for part in parts]),
        "frequency_hz": np.concatenate([part[0] for part in parts]),
        "level_db": np.concatenate([part[1] for part in parts]),
    }


def middle(length: int, sample_rate_hz: float) -> slice:
    """Return the part of a stretch of `length` samples that is transformed."""
    longest = min(length, int(LONGEST_S * sample_rate_hz) + 2 * FADE_SAMPLES)
    start = (length - longest) // 2
    return slice(start, start + longest)


def _on_phase(
    samples: np.ndarray, turns: np.ndarray, cycles: int, sample_rate_hz: float
) -> np.ndarray:
    """Return samples at equal steps of phase over a whole number of cycles, shape (2, points)."""
    first = turns[FADE_SAMPLES]
    stretch = int(np.searchsorted(turns, first + cycles)) - FADE_SAMPLES
    # Two parts in a hundred more points than samples: a fast stretch is not folded over.
    points = fast_length(int(1.02 * stretch))
    wanted = first + cycles * np.arange(points) / points
    position = np.interp(wanted, turns, np.arange(len(turns), dtype=float))
    factor = int(np.ceil(DENSE_HZ / sample_rate_hz))
    return _interpolated(_dense(samples, factor), position * factor)


def _dense(samples: np.ndarray, factor: int) -> np.ndarray:
    """Return the samples `factor` times as dense by their spectrum, shape (2, n).

    Their ends are faded.
    """
    ramp = np.sin(0.5 * np.pi * (np.arange(FADE_SAMPLES) + 0.5) / FADE_SAMPLES) ** 2
    faded = np.array(samples.T, dtype=np.float32)
    faded[:, :FADE_SAMPLES] *= ramp.astype(np.float32)
    faded[:, -FADE_SAMPLES:] *= ramp[::-1].astype(np.float32)
    if factor == 1:
        return faded
    length = fast_length(faded.shape[1])
    spectrum = np.fft.rfft(faded, length, axis=1) * np.float32(factor)
    return np.fft.irfft(spectrum, factor * length, axis=1)


def _interpolated(dense: np.ndarray, position: np.ndarray) -> np.ndarray:
    """Return the values between samples by the six-point Lagrange polynomial."""
    whole = position.astype(np.int64)
    part = (position - whole).astype(np.float32)
    away = {node: part - np.float32(node) for node in INTERPOLATION_NODES}
    result = np.zeros((len(dense), len(position)), dtype=np.float32)
    for node in INTERPOLATION_NODES:
        first, *others = (other for other in INTERPOLATION_NODES if other != node)
        scale = 1.0 / math.prod(node - other for other in (first, *others))
        weight = np.float32(scale) * away[first]
        for other in others:
            weight *= away[other]
        index = whole + node
        for channel, samples in enumerate(dense):
            result[channel] += weight * samples.take(index)
    return result


def _lines(tone: np.ndarray) -> np.ndarray:
    """Return the amplitude of each line, shape (2, lines)."""
    spectrum = np.fft.rfft(tone * _flat_top(tone.shape[1]), axis=1)
    return np.abs(spectrum).astype(float) * 2.0 / tone.shape[1]


@functools.lru_cache(maxsize=1)
def _flat_top(length: int) -> np.ndarray:
    """Return the flat-top window; tones of a side are mostly of one length."""
    turns = np.arange(length) / length
    # Sum of FLAT_TOP[k] cos(2 pi k turns).
    return chebval(np.cos(2.0 * np.pi * turns), FLAT_TOP).astype(np.float32)


def _thinned(
    line_hz: np.ndarray, amplitudes: np.ndarray, cycles: int, top_hz: float
) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return frequency and level relative to the fundamental of each band's strongest line.

    For each channel.
    """
    first = max(int(np.searchsorted(line_hz, BOTTOM_HZ)), FLAT_TOP_HALF_BINS)
    kept = np.arange(first, int(np.searchsorted(line_hz, top_hz, side="right")))
    kept = kept[kept < len(line_hz)]
    band = np.floor(LINES_PER_OCTAVE * np.log2(line_hz[kept] / BOTTOM_HZ))
    if not len(kept):
        return [(np.empty(0), np.empty(0))] * len(amplitudes)
    edges = np.flatnonzero(np.diff(band, prepend=-np.inf))
    lines_in = np.diff(edges, append=len(kept))
    parts = []
    for amplitude in amplitudes:
        prominence = np.where(kept % cycles == 0, np.inf, amplitude[kept])
        strongest = np.maximum.reduceat(prominence, edges)
        peaks = np.flatnonzero(prominence == np.repeat(strongest, lines_in))
        lines = kept[peaks[np.flatnonzero(np.diff(band[peaks], append=np.inf))]]
        parts.append((line_hz[lines], _levels_db(amplitude[lines], amplitude[cycles])))
    return parts


def _levels_db(amplitude: np.ndarray, fundamental: float) -> np.ndarray:
    """Return levels relative to the fundamental, NaN where there is none."""
    if fundamental == 0.0:
        return np.full(len(amplitude), np.nan)
    return 20.0 * np.log10(np.maximum(amplitude / fundamental, np.finfo(np.float32).tiny))
