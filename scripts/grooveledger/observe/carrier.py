"""First guess of the played phase of a steady tone."""

import numpy as np

from grooveledger.observe.order_tracking import PhasePath

#: Spacing of a path's knots, s.
KNOT_S = 1e-3


def tone_path(played_hz: float, length: int, sample_rate_hz: float) -> PhasePath:
    """Return the path of a steady tone over `length` samples."""
    spacing = KNOT_S * sample_rate_hz
    knots = int(np.ceil(length / spacing)) + 1
    return PhasePath(spacing, np.arange(knots) * KNOT_S * played_hz)
