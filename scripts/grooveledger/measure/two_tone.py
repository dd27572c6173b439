"""The high tone of a two-tone track as the low one modulates it, in amplitude and in frequency."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from grooveledger.measure import terminals
from grooveledger.measure.metric_rows import IN_PHASE
from grooveledger.measure.readings import readings
from grooveledger.physics.noise_floor import is_heard
from grooveledger.plan import Chain, Track

#: The high tone, the low one, then the sidebands below and above: one low tone away, two away.
LINES = ((1, 0), (0, 1), (1, -1), (1, 1), (1, -2), (1, 2))
#: Where the sidebands of each order stand among them.
SIDEBANDS = {1: (2, 3), 2: (4, 5)}


class Modulated(NamedTuple):
    """Modulation at a multiple of the low frequency, one entry a reading.

    Attributes
    ----------
    am : ndarray of complex, shape (n,)
        Depth; real part in phase with the low output, imaginary part a quarter period ahead.
    fm : ndarray of complex, shape (n,)
        Peak frequency deviation relative to the high tone, likewise.
    am_noise, fm_noise : ndarray, shape (n,)
        Standard uncertainty of each part from noise.
    is_clear : ndarray of bool, shape (n,)
        Whether tones and sidebands stand clear of the noise; all else is NaN where they do not.
    """

    am: np.ndarray
    fm: np.ndarray
    am_noise: np.ndarray
    fm_noise: np.ndarray
    is_clear: np.ndarray


def modulated(
    orders: Mapping[str, np.ndarray], track: Track, channel: str, low_order: int, chain: Chain
) -> Modulated:
    """Split the sidebands of one channel into amplitude and frequency modulation.

    Every line is brought to the terminals at its own frequency, in amplitude and phase.

    Parameters
    ----------
    orders : mapping
        The `orders` observation, channels as the chain names them.
    track : Track
        A two-tone track.
    channel : {'left', 'right'}
        The channel.
    low_order : {1, 2}
        Times the low tone's frequency.
    chain : Chain
        Through which it was heard.
    """
    low_hz, high_hz = track.frequencies_hz
    read = readings(orders, track.track, channel, LINES)
    speed = read.played_hz[:, np.newaxis] / high_hz
    line_hz = speed * np.array([high * high_hz + low * low_hz for high, low in LINES])
    sent = terminals.output_mv(
        read.amplitude_fs * np.exp(1j * np.radians(read.phase_deg)), line_hz, chain
    )
    noise = terminals.output_mv(read.floor_fs, line_hz, chain)
    pair = list(SIDEBANDS[low_order])
    is_clear = (
        is_heard(np.abs(sent[:, :1]), noise[:, :1])
        & is_heard(np.abs(sent[:, 1:2]), noise[:, 1:2])
        & is_heard(np.abs(sent[:, pair]), noise[:, pair])
        & np.isfinite(sent[:, [0, 1, *pair]]).all(axis=1)
    )
    sent = np.where(is_clear[:, np.newaxis], sent, 1.0)
    am, fm = modulation(sent[:, 0], sent[:, 1], sent[:, pair[0]], sent[:, pair[1]], low_order)
    fm_scale = low_order * low_hz / high_hz
    am_noise = IN_PHASE * np.hypot(*noise[:, pair].T) / np.abs(sent[:, 0])
    return Modulated(
        np.where(is_clear, am, np.nan),
        np.where(is_clear, fm_scale * fm, np.nan),
        np.where(is_clear, am_noise, np.nan),
        np.where(is_clear, fm_scale * am_noise, np.nan),
        is_clear,
    )


def modulation(
    high: np.ndarray, low: np.ndarray, below: np.ndarray, above: np.ndarray, low_order: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return amplitude modulation and frequency deviation of a pair of sidebands.

    With p and q the upper and the lower sideband over the carrier, both referred to the low tone's
    phase, the envelope has p + q* and the phase (p - q*)/j, whose derivative is the frequency.

    Returns
    -------
    tuple of ndarray of complex
        Depth, and frequency deviation relative to `low_order` times the low frequency; the real
        parts in phase with the low tone, the imaginary ones a quarter period ahead.
    """
    turn = (low / np.abs(low)) ** low_order
    p, q = above / high / turn, below / high * turn
    return p + np.conj(q), p - np.conj(q)
