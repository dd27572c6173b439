"""The sensitivity of each channel: what turns the noise of a groove into a velocity."""

import numpy as np

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.rated_output import rated_sensitivity_mv_per_cm_s
from grooveledger.measure.tone_levels import LEVEL_BAND_HZ, tone_levels
from grooveledger.physics.equalisation import REFERENCE_HZ

CHANNELS = ("left", "right")
#: Level tones within this ratio of 1 kHz count as tones of 1 kHz.
SENSITIVITY_RATIO = 1.06


def sensitivity_mv_per_cm_s(
    context: CaptureContext,
) -> tuple[dict[str, float], str | None, float | None]:
    """Return the sensitivity of each channel in the level band, and where it comes from.

    The capture's own level tones nearest to 1 kHz where each channel has one between 300 Hz and
    1 kHz (the first of the plan among equals), else the cartridge's rated output for both channels,
    else NaN. A tone of 315 Hz stands for 1 kHz: cartridges are flat between them (common practice).

    Returns
    -------
    sensitivity : dict
        Rms mV per rms cm/s of the channel, by channel.
    source : str or None
        measured, rated or None.
    frequency_hz : float or None
        The level tone that lies farther from 1 kHz; None where the sensitivity is not measured.
    """
    nearest: dict[str, tuple[float, float, float]] = {}
    for tone in tone_levels(context):
        nominal_hz = float(tone.nominal_hz[0])
        sensitivity = float(tone.sensitivity_mv_per_cm_s[0])
        if not LEVEL_BAND_HZ[0] < nominal_hz < LEVEL_BAND_HZ[1]:
            continue
        if tone.limited[0] or not np.isfinite(sensitivity):
            continue
        away = abs(float(np.log(nominal_hz / REFERENCE_HZ)))
        away = 0.0 if away <= np.log(SENSITIVITY_RATIO) else away
        if tone.channel not in nearest or away < nearest[tone.channel][0]:
            nearest[tone.channel] = away, nominal_hz, sensitivity
    if len(nearest) == len(CHANNELS):
        _, farther_hz, _ = max(nearest.values())
        return {c: found[2] for c, found in nearest.items()}, "measured", farther_hz
    rated = rated_sensitivity_mv_per_cm_s(context.cartridge)
    return dict.fromkeys(CHANNELS, rated), "rated" if np.isfinite(rated) else None, None
