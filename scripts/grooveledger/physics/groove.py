"""What the groove does to a signal: speed, wavelength, motion, tracing and tracking.

Velocities are peak unless a name says rms. `velocity` of one groove wall is normal to that wall;
lateral and vertical velocities are the stylus motion along that axis, so that each of the walls, at
45 degrees, has 1/sqrt(2) of it.
"""

import numpy as np
import numpy.typing as npt

UM_PER_CM = 1e4
SQRT2 = float(np.sqrt(2.0))
#: Points over one period for the numerical integrals; the integrands are smooth and periodic, so
#: that the error is far below rounding for any slope a record can hold.
PERIOD_POINTS = 1024
#: Terms after which the series of the scanning loss has converged to rounding.
SERIES_TERMS = 20


def rotation_period_s(rpm: npt.ArrayLike) -> np.ndarray:
    """Return the seconds a turn takes."""
    return 60.0 / np.asarray(rpm, dtype=float)


def groove_speed_cm_s(radius_mm: npt.ArrayLike, rpm: npt.ArrayLike) -> np.ndarray:
    """Return the speed of the groove under the stylus, cm/s, at a radius in mm."""
    radius_cm = np.asarray(radius_mm, dtype=float) / 10.0
    return 2.0 * np.pi * radius_cm / rotation_period_s(rpm)


def wavelength_um(frequency_hz: npt.ArrayLike, groove_speed: npt.ArrayLike) -> np.ndarray:
    """Return the recorded wavelength, um, for a groove speed in cm/s."""
    return np.asarray(groove_speed, dtype=float) / np.asarray(frequency_hz, dtype=float) * UM_PER_CM


def curvature_radius_um(
    frequency_hz: npt.ArrayLike, velocity_cm_s: npt.ArrayLike, groove_speed: npt.ArrayLike
) -> np.ndarray:
    """Return the least radius of curvature of a sine in the groove, um (groove speed in cm/s)."""
    bend = 2.0 * np.pi * np.asarray(frequency_hz, dtype=float) * np.asarray(velocity_cm_s)
    return np.asarray(groove_speed, dtype=float) ** 2 / bend * UM_PER_CM


def displacement_um(frequency_hz: npt.ArrayLike, velocity_cm_s: npt.ArrayLike) -> np.ndarray:
    """Return the displacement, um, of a sine of a velocity in cm/s."""
    return (
        np.asarray(velocity_cm_s, dtype=float)
        / (2.0 * np.pi * np.asarray(frequency_hz))
        * UM_PER_CM
    )


def velocity_cm_s(frequency_hz: npt.ArrayLike, amplitude_um: npt.ArrayLike) -> np.ndarray:
    """Return the velocity, cm/s, of a sine of a displacement in um."""
    return (
        2.0 * np.pi * np.asarray(frequency_hz) * np.asarray(amplitude_um, dtype=float) / UM_PER_CM
    )


def rms_velocity_cm_s(velocity: float, measure: str) -> float:
    """Return the rms of a sine's velocity that is given as 'peak' or 'rms' (IEC 60050-806)."""
    if measure not in ("peak", "rms"):
        raise ValueError(f"{measure=} is not peak or rms")
    return velocity / SQRT2 if measure == "peak" else velocity


def channel_velocity_cm_s(velocity: float, modulation: str) -> float:
    """Return the velocity of one channel for that of a modulation.

    Left and right modulations are the channel's own; a lateral or vertical one gives each channel
    1/sqrt(2) of it, the walls standing at 45 degrees.
    """
    if modulation not in ("left", "right", "lateral", "vertical"):
        raise ValueError(f"{modulation=} is not left, right, lateral or vertical")
    return velocity / SQRT2 if modulation in ("lateral", "vertical") else velocity


def rolling_ball_harmonics(
    frequency_hz: float,
    wall_velocity_cm_s: float,
    groove_speed: float,
    tip_radius_um: float,
    orders: tuple[int, ...] = (2, 3, 4, 5),
) -> np.ndarray:
    """Return the harmonics of a ball rolling on a sinusoidal wall, without the series' truncation.

    The centre of the ball runs on the curve parallel to the wall; its Fourier coefficients along
    the groove are integrated over the point of contact.

    Parameters
    ----------
    frequency_hz, wall_velocity_cm_s, groove_speed, tip_radius_um : float
        Hz, peak cm/s normal to the wall, cm/s, um.
    orders : tuple of int
        The harmonics asked for.

    Returns
    -------
    ndarray of complex
        Velocity harmonics over the velocity fundamental.

    Raises
    ------
    ValueError
        Where the groove bends more sharply than the tip: the ball no longer touches everywhere.
    """
    if tip_radius_um >= curvature_radius_um(frequency_hz, wall_velocity_cm_s, groove_speed):
        raise ValueError(f"{tip_radius_um=} is not below the groove's least radius of curvature")
    wavenumber = 2.0 * np.pi / float(wavelength_um(frequency_hz, groove_speed))
    amplitude_um = float(displacement_um(frequency_hz, wall_velocity_cm_s))
    contact = 2.0 * np.pi * np.arange(PERIOD_POINTS) / PERIOD_POINTS
    slope = -wavenumber * amplitude_um * np.sin(contact)
    bend = -(wavenumber**2) * amplitude_um * np.cos(contact)
    stretch = np.hypot(1.0, slope)
    centre_phase = contact - wavenumber * tip_radius_um * slope / stretch
    centre_um = amplitude_um * np.cos(contact) + tip_radius_um / stretch
    advance = 1.0 - tip_radius_um * bend / stretch**3
    wanted = np.array((1, *orders))
    waves = np.exp(-1j * wanted[:, np.newaxis] * centre_phase)
    velocity = wanted * np.mean(centre_um * advance * waves, axis=1)
    return velocity[1:] / velocity[0]


def tracking_angle_parameter(
    velocity: npt.ArrayLike, groove_speed: npt.ArrayLike, error_deg: npt.ArrayLike
) -> np.ndarray:
    """Return (v/V) tan(error), the small parameter of tracking-angle distortion, without sign.

    Baerwald 1941, eq. (1): lateral velocity, peak cm/s, over groove speed in cm/s. It is the second
    harmonic over the fundamental, in velocity.
    """
    tangent = np.tan(np.radians(error_deg))
    return np.asarray(np.abs(np.asarray(velocity, dtype=float) / groove_speed * tangent))


def tracking_angle_harmonics(
    parameter: npt.ArrayLike, orders: tuple[int, ...] = (2, 3, 4, 5)
) -> np.ndarray:
    """Return the velocity harmonics that a tracking-angle error makes, relative to the fundamental.

    J_n(n e) / J_1(e), the two-body series to which Baerwald 1941 points; close to e for the second
    and 1.125 e^2 for the third.

    Parameters
    ----------
    parameter : array_like
        e of `tracking_angle_parameter`, 0 or more and below 1.
    orders : tuple of int
        The harmonics asked for.

    Returns
    -------
    ndarray
        Ratios, of the shape of `parameter` with an axis of orders added at the end.
    """
    e = np.maximum(np.asarray(parameter, dtype=float), 1e-9)
    fundamental = _bessel_j(1, e)
    return np.stack([_bessel_j(order, order * e) / fundamental for order in orders], axis=-1)


def tracking_error_deg(
    radius_mm: npt.ArrayLike, length_mm: float, overhang_mm: float, offset_deg: float
) -> np.ndarray:
    """Return the lateral tracking error of a pivoted arm at a radius, degrees.

    The triangle of pivot, spindle and stylus (Lofgren 1938, Baerwald 1941).

    Parameters
    ----------
    radius_mm : array_like
        Radius of the groove.
    length_mm, overhang_mm : float
        From the arm's pivot to the stylus, and by how much that is more than to the spindle.
    offset_deg : float
        Of the cartridge's axis from the line to the pivot.
    """
    radius = np.asarray(radius_mm, dtype=float)
    mounting_mm = length_mm - overhang_mm
    sine = (radius + (length_mm**2 - mounting_mm**2) / radius) / (2.0 * length_mm)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))) - offset_deg)


def scanning_loss_db(contact_radius_um: npt.ArrayLike, wavelength: npt.ArrayLike) -> np.ndarray:
    """Return the loss of a contact of some size along the groove, dB, 0 or less.

    The mean of the groove over a round contact, 2 J1(x)/x with x = 2 pi a / wavelength: what a ball
    under a constant force follows where the wall yields like a bed of springs (our derivation). A
    wall that yields as an elastic solid counts the contact's edge for more, sin(x)/x: its radius
    is sqrt(3)/2 of this one. That the size of the contact takes treble is from AES library 1082
    (1967), from its abstract.

    Parameters
    ----------
    contact_radius_um : array_like
        Radius a of the contact.
    wavelength : array_like
        Length of a wave in the groove, um; more than 1.64 times the radius.

    Examples
    --------
    10 and 20 kHz at a radius of 60 mm, a contact of 3 um:

    >>> scanning_loss_db(3.0, wavelength_um([1e4, 2e4], groove_speed_cm_s(60.0, 100 / 3))).round(2)
    array([-0.89, -3.79])
    """
    argument = 2.0 * np.pi * np.asarray(contact_radius_um) / np.asarray(wavelength, dtype=float)
    # The series of 2 J1(x)/x: below the first zero at 3.83 its terms fall at once.
    mean = term = np.ones_like(argument)
    for k in range(1, SERIES_TERMS):
        term = term * -((0.5 * argument) ** 2) / (k * (k + 1))
        mean = mean + term
    return np.asarray(20.0 * np.log10(mean))


def _bessel_j(order: int, argument: np.ndarray) -> np.ndarray:
    """Return the Bessel function of the first kind by its integral; scipy.special loads slowly."""
    angle = 2.0 * np.pi * np.arange(PERIOD_POINTS) / PERIOD_POINTS
    phase = order * angle - np.asarray(argument)[..., np.newaxis] * np.sin(angle)
    return np.mean(np.cos(phase), axis=-1)
