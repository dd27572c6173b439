"""The output that a data sheet rates, and at which velocity."""

from collections.abc import Mapping
from typing import Any

from grooveledger.physics.groove import rms_velocity_cm_s
from grooveledger.plan import Cartridge

#: Rated velocity where the data sheet gives none, cm/s peak of the channel (common practice).
USUAL_VELOCITY_CM_S, USUAL_VELOCITY_MEASURE = 5.0, "peak"


def rated_velocity_rms_cm_s(rated: Mapping[str, Any] | None) -> float:
    """Return the rms velocity of a data sheet's output, the usual one where it names none.

    Examples
    --------
    >>> round(rated_velocity_rms_cm_s(None), 4)
    3.5355
    >>> rated_velocity_rms_cm_s({"output_velocity_cm_s": 5.0, "output_velocity_measure": "rms"})
    5.0
    """
    rated = rated or {}
    return float(
        rms_velocity_cm_s(
            float(rated.get("output_velocity_cm_s") or USUAL_VELOCITY_CM_S),
            rated.get("output_velocity_measure") or USUAL_VELOCITY_MEASURE,
        )
    )


def rated_sensitivity_mv_per_cm_s(cartridge: Cartridge) -> float:
    """Return the data sheet's sensitivity, rms mV per rms cm/s; NaN where it states none."""
    rated = cartridge.rated or {}
    if not rated.get("output_mv") or not rated.get("output_velocity_cm_s"):
        return float("nan")
    return float(rated["output_mv"]) / rated_velocity_rms_cm_s(rated)
