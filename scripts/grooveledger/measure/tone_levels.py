"""Output and sensitivity of steady tones at the cartridge's terminals."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.fundamentals import fundamental, speed_ratio, wrapped_deg
from grooveledger.measure.terminals import channel_velocity_rms_cm_s, output_mv
from grooveledger.physics.uncertainty import noise_level_db
from grooveledger.plan import Track

#: Tones that represent the output: records have their level bands from 300 Hz to 1 kHz, where
#: cartridges are flat (common practice). Of those a capture has, the ones nearest to 1 kHz count.
LEVEL_BAND_HZ = (299.0, 1101.0)


class ToneLevel(NamedTuple):
    """One driven channel of one tone; arrays of shape (1,).

    Attributes
    ----------
    nominal_hz, played_hz : ndarray
        Recorded and played frequency.
    output_mv : ndarray
        Rms at the terminals, at the track's nominal velocity; an upper bound where `limited`.
    sensitivity_mv_per_cm_s : ndarray
        Rms output per rms channel velocity; NaN where the plan states no velocity.
    interchannel_phase_deg : ndarray
        Right minus left; NaN unless both channels are driven.
    noise_db, phase_noise_deg : ndarray
        Standard uncertainties of level and phase from noise.
    limited : ndarray of bool
        Whether noise makes the level a bound.
    """

    track: Track
    channel: str
    nominal_hz: np.ndarray
    played_hz: np.ndarray
    output_mv: np.ndarray
    sensitivity_mv_per_cm_s: np.ndarray
    interchannel_phase_deg: np.ndarray
    noise_db: np.ndarray
    phase_noise_deg: np.ndarray
    limited: np.ndarray


def is_level_tone(track: Track) -> bool:
    """Whether the level of a track is measured: of every tone that serves it."""
    return track.kind == "tone" and track.serves("level")


def tone_levels(context: CaptureContext) -> Iterator[ToneLevel]:
    """Yield the level of every observed level tone.

    A platter that runs fast raises velocity and frequency together, so the output is divided by
    the capture's speed to refer it to the nominal velocity. A tone that is off its frequency beyond
    that was cut so.
    """
    speed = speed_ratio(context)
    for track in filter(is_level_tone, context.side.tracks):
        tone = fundamental(context, track)
        if tone is None:
            continue
        phase_deg = wrapped_deg(tone.phase_deg["right"] - tone.phase_deg["left"])
        # Noise across the signal turns it: its rms over sqrt 2, in radians, in either channel.
        phase_noise_deg = np.degrees(
            np.hypot(tone.noise_to_signal("left"), tone.noise_to_signal("right")) / np.sqrt(2.0)
        )
        # A phase under the noise is no figure, and has no bound either.
        is_clear = ~(tone.limited["left"] | tone.limited["right"])
        phase_deg = np.where((len(track.driven_channels) == 2) & is_clear, phase_deg, np.nan)
        velocity = channel_velocity_rms_cm_s(track, tone.played_hz / speed, context.side)
        for channel in track.driven_channels:
            output = output_mv(tone.amplitude[channel], tone.played_hz, context.chain) / speed
            yield ToneLevel(
                track=track,
                channel=channel,
                nominal_hz=tone.nominal_hz,
                played_hz=tone.played_hz,
                output_mv=output,
                sensitivity_mv_per_cm_s=output / velocity,
                interchannel_phase_deg=phase_deg,
                noise_db=noise_level_db(tone.noise_to_signal(channel)),
                phase_noise_deg=phase_noise_deg,
                limited=tone.limited[channel],
            )
