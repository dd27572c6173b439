"""What a tip of finite radius, at an angle of its own, reads of the groove, solved by samples.

A ball that rolls on a wall runs on the curve parallel to it, whose slope at the ball's centre is
the wall's at the point of contact: the velocity heard is the recorded one of the point of contact,
which lies ahead of the centre where the wall rises. A stylus that moves along another slant than
the cutter's is ahead of, or behind, the moment that was cut, by the height times the difference of
the slants' tangents; what it then reads is that motion, so that its velocity is also stretched.
"""

from typing import NamedTuple

import numpy as np

from grooveledger.simulate.stylus import StylusTruth

#: Fixed-point steps to the point of contact; each takes the error down by the slope's change over
#: the tip's radius, 0.2 on the sharpest groove of a test record.
CONTACT_STEPS = 12
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

    def moved(ahead_s: np.ndarray) -> np.ndarray:
        """Return the tones at a recorded time ahead of the centre's, shape (tones, ..., n)."""
        turns = turn.reshape(len(turn), *(1,) * (ahead_s.ndim - 1), -1)
        tones = np.array(rotors).reshape(turns.shape)
        return tones * np.exp(1j * turns * ahead_s)

    slanted_s = np.zeros(hz.shape[1])
    stretch = np.ones(hz.shape[1])
    if contact.vertical_slope or contact.lateral_slope:
        # Motion of the tip for each tone's signal, along the vertical and the lateral axis.
        axes = np.sqrt(0.5) * np.array(
            [np.sum(rise * velocity_cm_s, axis=1), np.sum(velocity_cm_s, axis=1)]
        )
        slopes = np.array([contact.vertical_slope, contact.lateral_slope])
        slope_cm_s = np.einsum("a,atn->tn", slopes, axes)
        for _ in range(CONTACT_STEPS):
            tones = moved(slanted_s)
            slanted_s = -np.sum(slope_cm_s / turn * tones.imag, axis=0) / speed
        stretch = 1.0 / (1.0 + np.sum(slope_cm_s * moved(slanted_s).real, axis=0) / speed)
    ahead_s = np.array([slanted_s, slanted_s])
    if contact.tip_radius_um:
        radius_s = contact.tip_radius_um / UM_PER_CM / speed
        for _ in range(CONTACT_STEPS):
            heard = np.sum(velocity_cm_s * moved(ahead_s).real, axis=0)
            slope = rise * heard / speed
            ahead_s = slanted_s + radius_s * slope / np.sqrt(1.0 + slope**2)
    return np.sum(velocity_cm_s * moved(ahead_s).real, axis=0) * stretch
