"""Definitions of harmonic and modulation distortion (IEC 60268-3), and their domain."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from grooveledger.physics.equalisation import replay_response


def thd_re_fundamental(harmonics: npt.ArrayLike) -> np.ndarray:
    """Return total harmonic distortion as a ratio to the fundamental.

    Parameters
    ----------
    harmonics : array_like, shape (..., n)
        Harmonics (complex or magnitudes) over the fundamental, one order a place of the last axis.

    Examples
    --------
    >>> float(thd_re_fundamental([0.03, 0.04]).round(6))
    0.05
    """
    return np.sqrt(np.sum(np.abs(harmonics) ** 2, axis=-1))


def harmonics_after_equaliser(
    harmonics: npt.ArrayLike,
    frequency_hz: npt.ArrayLike,
    orders: npt.ArrayLike,
    equalisation: str,
) -> np.ndarray:
    """Return harmonics over the fundamental after a preamplifier, from those in velocity.

    The replay curve falls with frequency and so makes harmonics look smaller than the cartridge
    gave them: harmonic n is multiplied by H(n f) / H(f).

    Parameters
    ----------
    harmonics : array_like, shape (..., n)
        Complex (or real) ratios to the fundamental before the replay equalisation.
    frequency_hz : array_like, shape (...)
        Fundamentals, Hz.
    orders : array_like, shape (n,)
        The order of each place of the last axis.
    equalisation : str
        See `grooveledger.physics.equalisation.replay_response`.

    Returns
    -------
    ndarray of complex, shape (..., n)
    """
    fundamental_hz = np.asarray(frequency_hz, dtype=float)[..., np.newaxis]
    harmonic_hz = fundamental_hz * np.asarray(orders)
    at_harmonics = replay_response(harmonic_hz, equalisation)
    return np.asarray(harmonics) * at_harmonics / replay_response(fundamental_hz, equalisation)


class ModulationDistortion(NamedTuple):
    """Modulation distortion as ratios to the high tone."""

    second_order: np.ndarray
    third_order: np.ndarray
    total: np.ndarray


def modulation_distortion(sidebands: npt.ArrayLike, high: npt.ArrayLike) -> ModulationDistortion:
    """Return the modulation of a high tone by a low one (IEC 60268-3; the sums from memory).

    Each order is the arithmetic sum of the magnitudes of its pair of sidebands over the high tone;
    the total is the root of the sum of their squares.

    Parameters
    ----------
    sidebands : array_like, shape (..., 2, 2)
        Complex amplitudes or magnitudes: order (one, two low tones away) by side (below, above).
    high : array_like, shape (...)
        Amplitude of the high tone.
    """
    pairs = np.sum(np.abs(sidebands), axis=-1) / np.abs(high)[..., np.newaxis]
    return ModulationDistortion(
        pairs[..., 0], pairs[..., 1], np.hypot(pairs[..., 0], pairs[..., 1])
    )
