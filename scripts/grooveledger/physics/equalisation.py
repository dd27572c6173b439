"""Replay and recording characteristics of disc records (IEC 60098)."""

import numpy as np
import numpy.typing as npt

#: IEC 60098, reproducing characteristic: bass turnover, bass shelf and treble time constants.
BASS_CUT_S = 3180e-6
BASS_LIFT_S = 318e-6
TREBLE_CUT_S = 75e-6
#: IEC 60098 amendment, on replay only: high-pass against rumble and warps.
RUMBLE_CUT_S = 7950e-6
#: Frequency to which responses of records and cartridges are referred (common practice).
REFERENCE_HZ = 1000.0


def replay_response(frequency_hz: npt.ArrayLike, equalisation: str) -> np.ndarray:
    """Return the complex gain of an ideal preamplifier, of magnitude 1 at 1 kHz.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies, Hz, 0 or more.
    equalisation : {'iec98', 'iec98_rumble', 'flat'}
        The IEC 60098 replay curve of 3180, 318 and 75 us, the same with the 7950 us high-pass, or
        none.

    Returns
    -------
    ndarray of complex
        Output over input voltage. The phase is the network's own, positive where the output leads;
        only the magnitude is referred to 1 kHz.

    Raises
    ------
    ValueError
        On an unknown equalisation.

    Examples
    --------
    >>> round(20 * float(np.log10(abs(replay_response(10_000.0, "iec98")))), 3)
    -13.734
    """
    if equalisation == "flat":
        return np.ones(np.shape(frequency_hz), dtype=complex)
    if equalisation not in ("iec98", "iec98_rumble"):
        raise ValueError(f"{equalisation=} is not iec98, iec98_rumble or flat")
    cuts_s = (BASS_CUT_S, TREBLE_CUT_S)
    with_rumble_cut = equalisation == "iec98_rumble"
    response = time_constant_response(frequency_hz, (BASS_LIFT_S,), cuts_s)
    reference = time_constant_response(REFERENCE_HZ, (BASS_LIFT_S,), cuts_s)
    if with_rumble_cut:
        response = response * _high_pass(frequency_hz, RUMBLE_CUT_S)
        reference = reference * _high_pass(REFERENCE_HZ, RUMBLE_CUT_S)
    return response / abs(reference)


def recorded_velocity_db(frequency_hz: npt.ArrayLike, recorded: str) -> np.ndarray:
    """Return the nominal recorded velocity of a law, in dB relative to its value at 1 kHz.

    Parameters
    ----------
    frequency_hz : array_like
        Nominal frequencies, Hz, above 0.
    recorded : {'constant_velocity', 'constant_amplitude', 'iec98'}
        The recording law; iec98 is the inverse of the replay curve (IEC 60098).

    Returns
    -------
    ndarray
        Level in dB, of the shape of `frequency_hz`.

    Raises
    ------
    ValueError
        On an unknown law.
    """
    frequency_hz = np.asarray(frequency_hz, dtype=float)
    if recorded == "constant_velocity":
        return np.zeros(frequency_hz.shape)
    if recorded == "constant_amplitude":
        return 20.0 * np.log10(frequency_hz / REFERENCE_HZ)
    if recorded == "iec98":
        return -20.0 * np.log10(np.abs(replay_response(frequency_hz, "iec98")))
    raise ValueError(f"{recorded=} is not constant_velocity, constant_amplitude or iec98")


def time_constant_response(
    frequency_hz: npt.ArrayLike, lifts_s: tuple[float, ...], cuts_s: tuple[float, ...]
) -> np.ndarray:
    """Return the product of (1 + s T) over the lifts, divided by that over the cuts; 1 at 0 Hz."""
    s = 2j * np.pi * np.asarray(frequency_hz, dtype=float)
    response = np.ones(s.shape, dtype=complex)
    for lift_s in lifts_s:
        response = response * (1.0 + s * lift_s)
    for cut_s in cuts_s:
        response = response / (1.0 + s * cut_s)
    return response


def _high_pass(frequency_hz: npt.ArrayLike, time_constant_s: float) -> np.ndarray:
    s_t = 2j * np.pi * np.asarray(frequency_hz, dtype=float) * time_constant_s
    return s_t / (1.0 + s_t)
