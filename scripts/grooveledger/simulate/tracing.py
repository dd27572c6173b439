"""What a tip of finite radius, at an angle of its own, reads of the groove, solved by samples.

A ball that rolls on a wall runs on the curve parallel to it, whose slope at the ball's centre is
the wall's at the point of contact: the velocity heard is the recorded one of the point of contact,
which lies ahead of the centre where the wall rises. A stylus that moves along another slant than
the cutter's is ahead of, or behind, the moment that was cut, by the height times the difference of
the slants' tangents; what it then reads is that motion, so that its velocity is also stretched.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from grooveledger.simulate.stylus import StylusTruth

#: Fixed-point steps to the point of contact, at most; each takes the error down by the slope's
#: change over the tip's radius, 0.2 on the sharpest groove of a test record.
CONTACT_STEPS = 12
#: A step that moves no sample further is the last: 1e-7 rad at 20 kHz, a float32's own rounding.
CONTACT_S = 1e-12
#: How far each wall rises towards the tip for a positive velocity of its channel: the channels are
#: wired so that equal signals move the stylus sideways.
RISE = np.array([1.0, -1.0])
UM_PER_CM = 1e4


class Contact(NamedTuple):
    """How the stylus touches a groove that passes at a speed.

    Attributes
    ----------
    tip_radius_um : float
        Radius along the groove.
    vertical_slope, lateral_slope : float
        Tangent of the vertical angle played less that of the one cut, and of the tracking error.
    polarity : int
        1 where a positive left channel raises its wall, else -1.
    groove_speed_cm_s : float
        As recorded.
    """

    tip_radius_um: float
    vertical_slope: float
    lateral_slope: float
    polarity: int
    groove_speed_cm_s: float

    @classmethod
    def of(
        cls, stylus: StylusTruth, cut_angle_deg: float | None, groove_speed_cm_s: float
    ) -> "Contact":
        """Return the contact of a stylus with a groove that was cut at a vertical angle."""
        slope = 0.0
        if cut_angle_deg is not None and stylus.vertical_angle_deg is not None:
            played, cut = np.tan(np.radians([stylus.vertical_angle_deg, cut_angle_deg]))
            slope = float(played - cut)
        lateral = float(np.tan(np.radians(stylus.tracking_error_deg)))
        return cls(stylus.tip_radius_um, slope, lateral, stylus.polarity, groove_speed_cm_s)

    @property
    def is_ideal(self) -> bool:
        """Whether the stylus reads the groove as it was cut."""
        return not (self.tip_radius_um or self.vertical_slope or self.lateral_slope)


def traced(
    rotors: list[np.ndarray], velocity_cm_s: np.ndarray, hz: np.ndarray, contact: Contact
) -> np.ndarray:
    """Return the velocity of both walls that the stylus reads, cm/s at the recorded speed.

    Parameters
    ----------
    rotors : list of ndarray of complex, each shape (n,)
        exp(2 pi j phase) of the tones where the tip's centre is.
    velocity_cm_s : ndarray, shape (tones, 2, n)
        Peak velocity in either wall's channel, signed.
    hz : ndarray, shape (tones, n)
        Recorded frequencies.
    contact : Contact
        The stylus in the groove.
    """
    speed = contact.groove_speed_cm_s
    rise = contact.polarity * RISE[:, np.newaxis]
    turn = 2.0 * np.pi * hz
    tones = np.array(rotors, dtype=complex)
    cosine, sine = tones.real.copy(), tones.imag.copy()

    def at_both(ahead_s: np.ndarray) -> np.ndarray:
        """Return the walls' velocities at a recorded time ahead of the centre's, (2, n)."""
        angle = turn[:, np.newaxis] * ahead_s
        moved = cosine[:, np.newaxis] * np.cos(angle) - sine[:, np.newaxis] * np.sin(angle)
        return np.asarray(np.sum(velocity_cm_s * moved, axis=0))

    slanted_s = np.zeros(hz.shape[1])
    stretch = np.ones(hz.shape[1])
    if contact.vertical_slope or contact.lateral_slope:
        # Motion of the tip for each tone's signal, along the vertical and the lateral axis.
        axes = np.sqrt(0.5) * np.array(
            [np.sum(rise * velocity_cm_s, axis=1), np.sum(velocity_cm_s, axis=1)]
        )
        slopes = np.array([contact.vertical_slope, contact.lateral_slope])
        slope_cm_s = np.einsum("a,atn->tn", slopes, axes)

        def slanted(before_s: np.ndarray) -> np.ndarray:
            angle = turn * before_s
            height = sine * np.cos(angle) + cosine * np.sin(angle)
            return np.asarray(-np.sum(slope_cm_s / turn * height, axis=0) / speed)

        slanted_s = _settled(slanted, slanted_s)
        angle = turn * slanted_s
        moved = cosine * np.cos(angle) - sine * np.sin(angle)
        stretch = 1.0 / (1.0 + np.sum(slope_cm_s * moved, axis=0) / speed)
    ahead_s = np.array([slanted_s, slanted_s])
    if contact.tip_radius_um:
        radius_s = contact.tip_radius_um / UM_PER_CM / speed

        def touched(before_s: np.ndarray) -> np.ndarray:
            slope = rise * at_both(before_s) / speed
            return np.asarray(slanted_s + radius_s * slope / np.sqrt(1.0 + slope**2))

        ahead_s = _settled(touched, ahead_s)
    return at_both(ahead_s) * stretch


def _settled(step: Callable[[np.ndarray], np.ndarray], ahead_s: np.ndarray) -> np.ndarray:
    """Return where steps from a time ahead lead, s."""
    for _ in range(CONTACT_STEPS):
        before_s, ahead_s = ahead_s, step(ahead_s)
        if np.max(np.abs(ahead_s - before_s)) < CONTACT_S:
            break
    return ahead_s
