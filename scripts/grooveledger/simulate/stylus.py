"""The cartridge as it is: sensitivity, response, crosstalk, distortion and resonance, all known."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grooveledger.physics.resonance import high_pass_response
from grooveledger.physics.resonance import resonance_hz as _resonance_hz
from grooveledger.plan import Chain

#: Peak channel velocity to which the harmonics are given, cm/s.
HARMONICS_VELOCITY_CM_S = 5.0
#: Harmonics that the model makes.
ORDERS = (2, 3, 4, 5)
#: Response is 1 at this frequency, Hz.
REFERENCE_HZ = 1000.0
#: Mistracking: harmonics 2 to 5 that come up at once when the groove's amplitude is past what the
#: stylus tracks, to the fundamental, and how much they grow for each part by which it is exceeded.
MISTRACKING = (0.08, 0.15, 0.03, 0.06)
MISTRACKING_GROWTH = 2.0

#: Typical distortion at 5 cm/s: second harmonic dominant, 0.5 % THD at 100 Hz, 1 to 2 % near 1 kHz,
#: 3 % at 5 kHz, 5 to 8 % at 10 kHz (common practice). Rows of Hz and per cent of orders 2 to 5.
TYPICAL_HARMONICS = (
    (20.0, 0.40, 0.14, 0.05, 0.02),
    (100.0, 0.48, 0.15, 0.05, 0.02),
    (1000.0, 1.35, 0.32, 0.10, 0.04),
    (5000.0, 2.95, 0.70, 0.22, 0.09),
    (10000.0, 6.30, 1.60, 0.50, 0.20),
    (20000.0, 9.00, 2.50, 0.80, 0.30),
)
#: Rows of Hz, crosstalk in dB, and its phase in degrees.
TYPICAL_CROSSTALK = (
    (20.0, -22.0, 20.0),
    (100.0, -25.0, 10.0),
    (1000.0, -28.0, -15.0),
    (5000.0, -24.0, -60.0),
    (10000.0, -19.0, -95.0),
    (20000.0, -14.0, -130.0),
)


@dataclass(frozen=True)
class StylusTruth:
    """One stylus in one state of its life.

    Attributes
    ----------
    sensitivity_mv_per_cm_s : tuple of float
        Left and right output at 1 kHz under the chain's load (rms mV a rms cm/s of the channel).
    tip_resonance_hz, tip_q : float
        Resonance of tip mass on the record's compliance, a second-order low-pass in the response.
    coil_inductance_mh, coil_resistance_ohm : float
        The coil; no electrical network where the inductance is 0.
    coil_eddy : float
        Eddy currents in the sheets of its core: 10 kHz over the frequency from which on the field
        no longer fills them. 0 is a coil without losses.
    flat_um : float
        Length of the worn contact along the groove: a loss of |sinc(flat / wavelength)|.
    crosstalk_left_to_right, crosstalk_right_to_left : tuple of (hz, db, phase_deg)
        Motion of the other channel's generator relative to the driven one's, on log frequency.
    harmonics : tuple of (hz, h2_pct, h3_pct, h4_pct, h5_pct)
        Of the velocity in each channel at 5 cm/s peak, before the response; all grow in proportion
        to the velocity.
    harmonic_phase_deg : tuple of float
        Phases of orders 2 to 5 less order times the fundamental's phase.
    intermodulation_pct : tuple of float
        Sideband pairs (sum of the two) one and two low tones away, by the high tone, before the
        response.
    tracked_amplitude_um : tuple of float
        Largest peak amplitude along the modulation's axis that left and right still track.
    mass_g : float
        Mass of the cartridge.
    compliance_um_per_mn : tuple of float
        Lateral and vertical dynamic compliance.
    resonance_q : tuple of float
        Quality factor of the lateral and vertical arm resonance.
    tip_radius_um : float
        Radius of the tip along the groove that traces the walls; 0 for a tip that traces without
        distortion.
    vertical_angle_deg : float or None
        Slant of the tip's vertical motion; None for that at which the record was cut.
    tracking_error_deg : float
        Lateral tracking error.
    polarity : int
        1 where a positive left channel raises its wall, else -1.
    """

    sensitivity_mv_per_cm_s: tuple[float, float] = (1.12, 1.05)
    tip_resonance_hz: float = 24_000.0
    tip_q: float = 0.9
    coil_inductance_mh: float = 480.0
    coil_resistance_ohm: float = 750.0
    coil_eddy: float = 0.0
    flat_um: float = 0.0
    crosstalk_left_to_right: tuple[tuple[float, float, float], ...] = TYPICAL_CROSSTALK
    crosstalk_right_to_left: tuple[tuple[float, float, float], ...] = TYPICAL_CROSSTALK
    harmonics: tuple[tuple[float, ...], ...] = TYPICAL_HARMONICS
    harmonic_phase_deg: tuple[float, ...] = (-90.0, 30.0, 100.0, -40.0)
    intermodulation_pct: tuple[float, float] = (2.4, 0.7)
    tracked_amplitude_um: tuple[float, float] = (80.0, 80.0)
    mass_g: float = 6.5
    compliance_um_per_mn: tuple[float, float] = (13.0, 11.0)
    resonance_q: tuple[float, float] = (3.0, 2.5)
    tip_radius_um: float = 0.0
    vertical_angle_deg: float | None = None
    tracking_error_deg: float = 0.0
    polarity: int = 1

    def resonance_hz(self, chain: Chain) -> tuple[float, float]:
        """Return the undamped lateral and vertical resonance in the chain's arm, Hz."""
        mass_g = chain.arm_effective_mass_g + self.mass_g
        lateral, vertical = (float(_resonance_hz(mass_g, c)) for c in self.compliance_um_per_mn)
        return lateral, vertical


def terminals_matrix(frequency_hz: npt.ArrayLike, stylus: StylusTruth, chain: Chain) -> np.ndarray:
    """Return the transfer from the groove's channel velocities to the voltages at the terminals.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Played frequencies.

    Returns
    -------
    ndarray of complex, shape (2, 2, n)
        mV a cm/s; first axis the terminal (left, right), second the groove wall.
    """
    frequency_hz = np.asarray(frequency_hz, dtype=float)
    arm = [
        high_pass_response(frequency_hz, f0, q)
        for f0, q in zip(stylus.resonance_hz(chain), stylus.resonance_q, strict=True)
    ]
    same, other = 0.5 * (arm[0] + arm[1]), 0.5 * (arm[0] - arm[1])
    to_left = _crosstalk(frequency_hz, stylus.crosstalk_right_to_left)
    to_right = _crosstalk(frequency_hz, stylus.crosstalk_left_to_right)
    treble = _treble(frequency_hz, stylus, chain) / abs(_treble(REFERENCE_HZ, stylus, chain))
    left, right = (s * treble for s in stylus.sensitivity_mv_per_cm_s)
    return np.array(
        [
            [left * (same + to_left * other), left * (other + to_left * same)],
            [right * (other + to_right * same), right * (same + to_right * other)],
        ]
    )


def scanning_loss(
    frequency_hz: np.ndarray, stylus: StylusTruth, groove_speed_cm_s: float
) -> np.ndarray:
    """Return the factor by which a contact of finite length passes velocity on, sign included."""
    return np.sinc(stylus.flat_um * 1e-4 * frequency_hz / groove_speed_cm_s)


def harmonic_ratios(
    frequency_hz: np.ndarray, velocity_cm_s: np.ndarray, stylus: StylusTruth
) -> np.ndarray:
    """Return velocity harmonics 2 to 5 relative to the fundamental, before the response.

    Parameters
    ----------
    frequency_hz, velocity_cm_s : ndarray, shape (n,)
        Played fundamental and its peak channel velocity.

    Returns
    -------
    ndarray of complex, shape (4, n)
    """
    table = np.array(stylus.harmonics)
    octaves = np.log2(table[:, 0])
    asked = np.log2(frequency_hz)
    level = np.abs(velocity_cm_s) / HARMONICS_VELOCITY_CM_S
    turn = np.exp(1j * np.radians(stylus.harmonic_phase_deg))
    return np.array(
        [
            turn[i]
            * level
            * np.exp(np.interp(asked, octaves, np.log(np.maximum(table[:, 1 + i], 1e-9))))
            / 100.0
            for i in range(len(ORDERS))
        ]
    )


def mistracking_ratios(amplitude_um: np.ndarray, tracked_um: float) -> np.ndarray:
    """Return the harmonics 2 to 5 that mistracking adds beyond the tracked amplitude, (4, n)."""
    excess = np.maximum(amplitude_um / tracked_um - 1.0, 0.0)
    size = np.where(excess > 0.0, 1.0 + MISTRACKING_GROWTH * excess, 0.0)
    return np.multiply.outer(np.array(MISTRACKING), size)


def _treble(frequency_hz: npt.ArrayLike, stylus: StylusTruth, chain: Chain) -> np.ndarray:
    """Return tip resonance times network, 1 at 0 Hz except for the divider of coil and load."""
    frequency_hz = np.asarray(frequency_hz, dtype=float)
    x = 1j * frequency_hz / stylus.tip_resonance_hz
    tip = 1.0 / (1.0 + x / stylus.tip_q + x**2)
    if not stylus.coil_inductance_mh:
        return tip
    s = 2j * np.pi * frequency_hz
    kept = np.ones(np.shape(s))
    if stylus.coil_eddy:
        # The classical field in a sheet: tanh(z) / z of the inductance, with z^2 as the frequency.
        z = np.sqrt(1j * np.maximum(stylus.coil_eddy * frequency_hz / 1e4, 1e-12))
        kept = np.tanh(z) / z
    series = (
        stylus.coil_resistance_ohm
        + chain.cable_resistance_ohm
        + s * (stylus.coil_inductance_mh * 1e-3 * kept + chain.cable_inductance_uh * 1e-6)
    )
    shunt = 1.0 / chain.load_ohm + s * chain.load_pf * 1e-12
    return tip / (1.0 + series * shunt)


def _crosstalk(
    frequency_hz: np.ndarray, table: tuple[tuple[float, float, float], ...]
) -> np.ndarray:
    hz, db, phase_deg = np.array(table).T
    asked = np.log(np.maximum(frequency_hz, 1e-3))
    size = 10.0 ** (np.interp(asked, np.log(hz), db) / 20.0)
    return size * np.exp(1j * np.radians(np.interp(asked, np.log(hz), phase_deg)))
