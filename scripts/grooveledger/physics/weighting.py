"""Weightings of noise, rumble and speed fluctuation."""

import numpy as np
import numpy.typing as npt

from grooveledger.physics.quantiles import quantile

#: IEC 61672-1, A weighting: pole frequencies (the long digits from memory; the standard's tables,
#: to 0.1 dB, agree) and the gain that makes it 0 dB at 1 kHz.
A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
A_GAIN_DB = 1.99966

#: ITU-R BS.468-4: polynomial form of the network, from memory; it meets table 1 within 0.09 dB.
WEIGHTING_468_EVEN = (-4.737338981378384e-24, 2.043828333606125e-15, -1.363894795463638e-7, 1.0)
WEIGHTING_468_ODD = (1.306612257412824e-19, -2.118150887518656e-11, 5.559488023498642e-4)
WEIGHTING_468_SLOPE = 1.246332637532143e-4
WEIGHTING_468_GAIN_DB = 18.2

#: Weighting of wow and flutter (IEC 60386, AES6), Hz and dB; from memory.
FLUTTER_WEIGHTING_TABLE = (
    (0.1, -48.0),
    (0.2, -30.6),
    (0.315, -19.7),
    (0.4, -15.0),
    (0.63, -8.4),
    (0.8, -6.0),
    (1.0, -4.2),
    (1.6, -1.8),
    (2.0, -0.9),
    (4.0, 0.0),
    (6.3, -0.9),
    (10.0, -2.1),
    (20.0, -5.9),
    (40.0, -10.4),
    (63.0, -14.2),
    (100.0, -17.3),
    (200.0, -23.0),
)
#: Our own rational fit to that table, within 0.27 dB of each row: gain, zero and poles in Hz.
FLUTTER_GAIN = 13.89900
FLUTTER_ZERO_HZ = 32.16415
FLUTTER_POLES_HZ = (44.01293, 8.69318, 1.41512)
FLUTTER_POLE_PAIR_HZ = (0.3642, 0.2569)

#: IEC 60386 Amd 1, two-sigma method: share of the time that the deviation exceeds the reading
#: (the 5 % from memory).
TWO_SIGMA_EXCEEDED = 0.05

#: What is known of the numbers in RUMBLE_NETWORKS; goes with every result that uses them.
RUMBLE_NETWORK_STATUS = "from memory"
#: Rumble networks A (unweighted) and B (weighted) of IEC 60098 and DIN 45539, Hz and dB: straight
#: lines between corners, FROM MEMORY, NOT VERIFIED. Only 0 dB at 315 Hz is certain (leaflet of a
#: DIN 45544 record). Someone who has the standard corrects this table, and the status above, and
#: nothing else.
RUMBLE_NETWORKS = {
    "unweighted": ((5.0, -6.0), (10.0, 0.0), (315.0, 0.0), (500.0, -3.0), (1000.0, -15.0)),
    "weighted": ((78.75, -24.0), (157.5, -12.0), (315.0, 0.0), (630.0, -12.0), (1260.0, -24.0)),
}


#: The same network of BS.468-4 as poles, Hz, with a zero at 0 Hz (the roots of the polynomials).
WEIGHTING_468_POLES_HZ = (
    -2983.16 + 9940.84j,
    -2983.16 - 9940.84j,
    -3758.53 + 5790.04j,
    -3758.53 - 5790.04j,
    -4122.70 + 0.0j,
    -9975.06 + 0.0j,
)


def a_weighting_response(frequency_hz: npt.ArrayLike) -> np.ndarray:
    """Return the complex A weighting (IEC 61672-1), of magnitude 1 at 1 kHz."""
    p = 1j * np.asarray(frequency_hz, dtype=float)
    p1, p2, p3, p4 = A_POLES_HZ
    poles = (p + p1) ** 2 * (p + p2) * (p + p3) * (p + p4) ** 2
    return 10.0 ** (A_GAIN_DB / 20.0) * p4**2 * p**4 / poles


def weighting_468_response(frequency_hz: npt.ArrayLike) -> np.ndarray:
    """Return the complex weighting of ITU-R BS.468-4, of the magnitude of `weighting_468_db`."""
    p = 1j * np.asarray(frequency_hz, dtype=float)
    gain = WEIGHTING_468_SLOPE * 10.0 ** (WEIGHTING_468_GAIN_DB / 20.0)
    for pole_hz in WEIGHTING_468_POLES_HZ:
        p = p / (1.0 - 1j * np.asarray(frequency_hz, dtype=float) / pole_hz)
    return gain * p


def a_weighting_db(frequency_hz: npt.ArrayLike) -> np.ndarray:
    """Return the A weighting in dB (IEC 61672-1); minus infinity at 0 Hz.

    Examples
    --------
    >>> a_weighting_db([31.5, 1000.0, 10_000.0]).round(1).tolist()
    [-39.5, 0.0, -2.5]
    """
    f2 = np.asarray(frequency_hz, dtype=float) ** 2
    p1, p2, p3, p4 = (pole_hz**2 for pole_hz in A_POLES_HZ)
    gain = p4 * f2**2 / ((f2 + p1) * np.sqrt((f2 + p2) * (f2 + p3)) * (f2 + p4))
    return _db(gain) + A_GAIN_DB


def weighting_468_db(frequency_hz: npt.ArrayLike) -> np.ndarray:
    """Return the weighting of ITU-R BS.468-4 in dB; minus infinity at 0 Hz.

    The recommendation's meter is quasi-peak (`physics.quasi_peak`); a figure taken with an rms
    detector says so.

    Examples
    --------
    >>> weighting_468_db([31.5, 2000.0, 6300.0]).round(1).tolist()
    [-29.9, 5.6, 12.2]
    """
    f = np.asarray(frequency_hz, dtype=float)
    even = np.polyval(WEIGHTING_468_EVEN, f**2)
    odd = np.polyval(WEIGHTING_468_ODD, f**2) * f
    return _db(WEIGHTING_468_SLOPE * f / np.hypot(even, odd)) + WEIGHTING_468_GAIN_DB


def flutter_weighting(frequency_hz: npt.ArrayLike) -> np.ndarray:
    """Return the complex weighting of speed fluctuation, of magnitude 1 at 4 Hz.

    Our own five-pole fit to `FLUTTER_WEIGHTING_TABLE` (IEC 60386, AES6); zero at 0 Hz. Of a real
    deviation use it at positive frequencies and its conjugate at negative ones.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies of the fluctuation, Hz.

    Returns
    -------
    ndarray of complex
    """
    p = 1j * np.asarray(frequency_hz, dtype=float)
    real, imaginary = FLUTTER_POLE_PAIR_HZ
    poles = (p + real) ** 2 + imaginary**2
    for pole_hz in FLUTTER_POLES_HZ:
        poles = poles * (p + pole_hz)
    return FLUTTER_GAIN * p**3 * (p + FLUTTER_ZERO_HZ) / poles


def two_sigma_peak(deviation: npt.ArrayLike) -> float:
    """Return the reading that the magnitude of `deviation` exceeds 5 % of the time.

    IEC 60386 Amd 1 (1988), preferred method; 0.99692 of the peak of a sine, 1.95996 rms of Gaussian
    noise. The deviation, in any unit, is already weighted and free of its mean.

    Examples
    --------
    >>> round(two_sigma_peak(np.sin(np.linspace(0.0, 200.0 * np.pi, 100_001))), 4)
    0.9967
    """
    return quantile(np.abs(np.asarray(deviation, dtype=float)), 1.0 - TWO_SIGMA_EXCEEDED)


def rumble_weighting_db(frequency_hz: npt.ArrayLike, network: str) -> np.ndarray:
    """Return the gain of a rumble network in dB.

    Interpolated on log frequency in `RUMBLE_NETWORKS`, whose end slopes go on outside the table;
    minus infinity at 0 Hz.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies, Hz, 0 or more.
    network : {'unweighted', 'weighted'}
        Network A or B.

    Raises
    ------
    ValueError
        On an unknown network.
    """
    if network not in RUMBLE_NETWORKS:
        raise ValueError(f"{network=} is not one of {', '.join(RUMBLE_NETWORKS)}")
    corner_hz, corner_db = np.array(RUMBLE_NETWORKS[network]).T
    octaves = np.log2(corner_hz)
    with np.errstate(divide="ignore"):
        asked = np.log2(np.asarray(frequency_hz, dtype=float))
    slopes = np.diff(corner_db) / np.diff(octaves)
    inside = np.interp(asked, octaves, corner_db)
    below = np.minimum(asked - octaves[0], 0.0) * slopes[0]
    above = np.maximum(asked - octaves[-1], 0.0) * slopes[-1]
    return inside + below + above


def _db(gain: np.ndarray) -> np.ndarray:
    with np.errstate(divide="ignore"):
        return 20.0 * np.log10(gain)
