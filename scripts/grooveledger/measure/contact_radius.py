"""The radius of the contact along the groove, fitted to the treble that an inner groove loses."""

from typing import NamedTuple

import numpy as np

from grooveledger.physics.groove import scanning_loss_db, wavelength_um

#: A radius is stated where its square is this many standard uncertainties from none; else a bound
#: of 95 % one-sided (JCGM 100) is.
CLEAR, ONE_SIDED_95 = 3.0, 1.645
#: Levels repeat no better than this, dB (our choice), whatever their noise.
LEAST_NOISE_DB = 0.02
#: Radii tried, um; the place among them whose loss stands for the slope at none; the largest part
#: of a wavelength in a contact whose loss still rises.
RADII_UM = np.arange(0.0, 15.005, 0.01)
SLOPE_AT = 100
LARGEST_PART = 0.5


class FittedContact(NamedTuple):
    """Radius of a contact, um, with its uncertainties; a bound where `limited`."""

    radius_um: float
    noise_um: float
    record_um: float
    limited: bool


def contact_radius(
    frequency_hz: np.ndarray,
    loss_db: np.ndarray,
    noise_db: np.ndarray,
    record_db: np.ndarray,
    outer_speed_cm_s: float,
    inner_speed_cm_s: float,
    is_referred: bool,
) -> FittedContact:
    """Fit the radius of a round contact to what the inner groove loses against the outer one.

    Least squares in the square of the radius, to which small losses are proportional. The cuts'
    departures count as one for all frequencies: a lathe's treble is off as a whole.

    Parameters
    ----------
    frequency_hz, loss_db, noise_db, record_db : ndarray, shape (n,)
        Loss of level from the outer to the inner groove, and its standard uncertainties.
    outer_speed_cm_s, inner_speed_cm_s : float
        Speeds of the groove.
    is_referred : bool
        Whether the loss counts from that of the first frequency, which then is 0.
    """
    if not len(frequency_hz):
        return FittedContact(np.nan, np.nan, np.nan, True)
    outer, inner = (
        wavelength_um(frequency_hz, speed) for speed in (outer_speed_cm_s, inner_speed_cm_s)
    )
    radii = RADII_UM[LARGEST_PART * float(inner.min()) >= RADII_UM]

    def model_db(radius_um: np.ndarray) -> np.ndarray:
        lost = scanning_loss_db(radius_um[:, None], outer) - scanning_loss_db(
            radius_um[:, None], inner
        )
        return lost - lost[:, :1] if is_referred else lost

    table = model_db(radii)
    weight = 1.0 / np.maximum(noise_db, LEAST_NOISE_DB) ** 2
    if is_referred:
        weight = np.where(np.arange(len(frequency_hz)) > 0, weight, 0.0)
    best = int(np.argmin(((loss_db - table) ** 2 * weight).sum(axis=1)))
    square = float(radii[best] ** 2)
    # Of the square, about the best: at none, where the loss begins.
    near = max(best, min(SLOPE_AT, len(radii) - 1))
    per_square = table[near] / radii[near] ** 2
    information = float((weight * per_square**2).sum())
    noise = 1.0 / np.sqrt(information)
    record = abs(float((weight * per_square * record_db).sum())) / information
    u_square = float(np.hypot(noise, record))
    if square > CLEAR * u_square and best < len(radii) - 1:
        radius = float(np.sqrt(square))
        return FittedContact(radius, noise / (2.0 * radius), record / (2.0 * radius), False)
    return FittedContact(float(np.sqrt(square + ONE_SIDED_95 * u_square)), np.nan, np.nan, True)
