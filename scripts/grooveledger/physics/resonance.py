"""The resonance of the arm's mass on the cartridge's compliance."""

import numpy as np
import numpy.typing as npt

#: f0 = RESONANCE_CONSTANT / sqrt(mass in g x compliance in um/mN): 1000 / (2 pi), since
#: 1 g x 1 um/mN = 1e-6 s^2.
RESONANCE_CONSTANT = 1000.0 / (2.0 * np.pi)


def resonance_hz(mass_g: npt.ArrayLike, compliance_um_per_mn: npt.ArrayLike) -> np.ndarray:
    """Return the undamped resonance of a mass (arm, cartridge and screws) on a compliance.

    Examples
    --------
    >>> float(resonance_hz(18.0, 15.0).round(2))
    9.69
    """
    product = np.asarray(mass_g, dtype=float) * np.asarray(compliance_um_per_mn, dtype=float)
    return RESONANCE_CONSTANT / np.sqrt(product)


def compliance_um_per_mn(mass_g: npt.ArrayLike, frequency_hz: npt.ArrayLike) -> np.ndarray:
    """Return the compliance that resonates with a mass at a frequency.

    A simple spring is assumed; elastomers are not one, so that the figure belongs to this
    frequency, amplitude and temperature.

    Examples
    --------
    >>> float(compliance_um_per_mn(18.0, 9.69).round(1))
    15.0
    """
    ratio = RESONANCE_CONSTANT / np.asarray(frequency_hz, dtype=float)
    return ratio**2 / np.asarray(mass_g, dtype=float)


def high_pass_response(
    frequency_hz: npt.ArrayLike, undamped_hz: npt.ArrayLike, q: npt.ArrayLike
) -> np.ndarray:
    """Return the stylus motion relative to the cartridge over the groove's.

    Parameters
    ----------
    frequency_hz : array_like
        Frequencies, Hz.
    undamped_hz, q : array_like
        f0 and quality factor of the second-order system.

    Returns
    -------
    ndarray of complex
        s^2 / (s^2 + s w0/Q + w0^2); 1 well above resonance, 0 at 0 Hz.
    """
    x = 1j * np.asarray(frequency_hz, dtype=float) / np.asarray(undamped_hz, dtype=float)
    return x**2 / (x**2 + x / np.asarray(q, dtype=float) + 1.0)


def peak_hz(undamped_hz: npt.ArrayLike, q: npt.ArrayLike) -> np.ndarray:
    """Return where the response is highest, above f0; infinite for Q at or below 1/sqrt(2)."""
    inside = np.maximum(1.0 - 0.5 / np.asarray(q, dtype=float) ** 2, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(undamped_hz, dtype=float) / np.sqrt(inside)


def peak_db(q: npt.ArrayLike) -> np.ndarray:
    """Return the height of the response's peak above its upper level; 0 without a peak.

    Examples
    --------
    >>> peak_db([0.5, 1.0, 2.0]).round(2).tolist()
    [0.0, 1.25, 6.3]
    """
    peaking = np.maximum(np.asarray(q, dtype=float), np.sqrt(0.5))
    return 20.0 * np.log10(peaking / np.sqrt(1.0 - 0.25 / peaking**2))
