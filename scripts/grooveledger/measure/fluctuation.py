"""The fluctuation of a speed: its steady part, fitted, and the rest, filtered."""

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from grooveledger.capture.fft_length import fast_length

#: Below the band the fluctuation is faded out, over this many octaves (our choice): at a sharp edge
#: slow flutter would read by where its track happens to end.
FADED_OCTAVES = 1.0
#: The weighting filter settles in this time, s: its slowest pole, at 0.36 Hz, by 30 dB.
SETTLING_S = 1.5
#: Points that the filtered fluctuation has for each of the trace: at few a cycle the reading that
#: is exceeded 5 % of the time would depend on where in the cycle they happen to fall.
FINER = 4
#: Multiples of the rotation rate that have a figure, by its column.
PER_REVOLUTION = {
    "once_per_rev_pct": 1,
    "twice_per_rev_pct": 2,
    "three_per_rev_pct": 3,
    "four_per_rev_pct": 4,
}


class Steady(NamedTuple):
    """What goes on steadily in a trace, fitted by least squares.

    Attributes
    ----------
    slope : float
        Linear change, per second.
    turns_hz : ndarray
        Rotation rate as played, and its multiples.
    waves : ndarray of complex
        Of each, amplitude and phase at the first sample: the trace holds Re(wave exp(2 pi j f t)).
    model : ndarray
        Mean, slope and waves at each sample.
    """

    slope: float
    turns_hz: np.ndarray
    waves: np.ndarray
    model: np.ndarray


def fit_steady(deviation: np.ndarray, rate_hz: float, turn_hz: float) -> Steady:
    """Fit mean, slope, and sinusoids at multiples of the rotation rate, by least squares."""
    time_s = np.arange(len(deviation)) / rate_hz
    turns_hz = turn_hz * np.array(list(PER_REVOLUTION.values()))
    turning = phasors(turns_hz, rate_hz, len(deviation))
    basis = np.vstack([np.ones(len(time_s)), time_s - time_s.mean(), turning.real, turning.imag])
    # More than a turn is there: these are far from one another, and their products keep that.
    weights = np.linalg.solve(basis @ basis.T, basis @ deviation)
    cosines, sines = np.split(weights[2:], 2)
    return Steady(float(weights[1]), turns_hz, cosines - 1j * sines, weights @ basis)


def phasors(frequency_hz: np.ndarray, rate_hz: float, count: int) -> np.ndarray:
    """Return exp(2 pi j f t) at evenly spaced times from 0 on, shape (frequencies, count)."""
    rows, within = _turned(frequency_hz, rate_hz, count)
    return (rows[:, :, None] * within[:, None]).reshape(len(rows), -1)[:, :count]


def _waves(waves: np.ndarray, frequency_hz: np.ndarray, rate_hz: float, count: int) -> np.ndarray:
    """Return the sum of Re(wave exp(2 pi j f t)) at evenly spaced times from 0 on."""
    rows, within = _turned(frequency_hz, rate_hz, count)
    return ((waves[:, None] * rows).T @ within).real.ravel()[:count]


def _turned(frequency_hz: np.ndarray, rate_hz: float, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return phasors at the first of each row of times, and within the first row.

    The others are their products, which cost far less than exponentials.
    """
    width = math.isqrt(count) + 1
    turn = 2j * np.pi * frequency_hz[:, None] / rate_hz
    return np.exp(turn * width * np.arange(-(-count // width))), np.exp(turn * np.arange(width))


def faded_band(low_hz: float, high_hz: float) -> Callable[[np.ndarray], np.ndarray]:
    """Return the gain of a band that is faded out over the octave below it."""

    def gain(frequency_hz: np.ndarray) -> np.ndarray:
        octaves = np.log2(np.maximum(frequency_hz, 1e-9) / low_hz)
        part = np.clip(1.0 + octaves / FADED_OCTAVES, 0.0, 1.0)
        faded = np.sin(0.5 * np.pi * part) ** 2
        return np.where(frequency_hz <= high_hz, faded, 0.0).astype(complex)

    return gain


def fluctuation(
    deviation: np.ndarray, steady: Steady, rate_hz: float, response: Callable[..., np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the fluctuation after a filter, at FINER times the trace's rate.

    With all of it, and without the part that comes once a turn.

    The steady part is filtered in closed form, as if it had gone on for ever; only the rest goes
    through the filter, whose settling, about `SETTLING_S` at the start, is then small.
    """
    rest = _filtered(deviation - steady.model, rate_hz, response)
    waves = steady.waves * response(steady.turns_hz)
    once, others = (
        _waves(waves[part], steady.turns_hz[part], FINER * rate_hz, len(rest))
        for part in (slice(0, 1), slice(1, None))
    )
    rest += others
    return rest + once, rest


def _filtered(
    values: np.ndarray, rate_hz: float, response: Callable[[np.ndarray], np.ndarray]
) -> np.ndarray:
    # Zeros keep the end of the trace from coming round to its start.
    length = fast_length(len(values) + round(4.0 * SETTLING_S * rate_hz))
    spectrum = np.fft.rfft(values, length)
    spectrum *= FINER * response(np.arange(len(spectrum)) * rate_hz / length)
    return np.fft.irfft(spectrum, FINER * length)[: FINER * len(values)]
