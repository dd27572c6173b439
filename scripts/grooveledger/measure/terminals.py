"""From the converter's input back to the cartridge's output: gain, replay curve, channel wiring."""

from collections.abc import Mapping

import numpy as np

from grooveledger.physics.equalisation import recorded_velocity_db, replay_response
from grooveledger.physics.groove import channel_velocity_cm_s, rms_velocity_cm_s
from grooveledger.plan import Chain, Side, Track

OTHER = {"left": "right", "right": "left"}


def by_channel(columns: Mapping[str, np.ndarray], chain: Chain) -> dict[str, np.ndarray]:
    """Return the observation columns with the channels named as the cartridge has them.

    Channels are exchanged first where the chain says so; an inverted channel's phase is then turned
    by 180 degrees (orders only: other observations have no phase).
    """
    named = dict(columns)
    if chain.swap_channels:
        named["channel"] = np.array(
            [OTHER.get(name, name) for name in columns["channel"]], dtype=object
        )
    if "phase_deg" in named and chain.invert:
        turned = np.isin(named["channel"].astype(str), chain.invert)
        named["phase_deg"] = named["phase_deg"] + np.where(turned, 180.0, 0.0)
    return named


def chain_response(frequency_hz: np.ndarray, chain: Chain) -> np.ndarray:
    """Return the complex response of the preamplifier over its gain at 1 kHz.

    It is the replay curve with the preamplifier's deviation.

    The deviation is interpolated on log frequency and held beyond its ends; it carries no phase.
    """
    response = replay_response(frequency_hz, chain.equalisation)
    if chain.preamplifier_response:
        table = np.array(chain.preamplifier_response)
        deviation_db = np.interp(np.log(frequency_hz), np.log(table[:, 0]), table[:, 1])
        response = response * 10.0 ** (deviation_db / 20.0)
    return response


def output_mv(amplitude_fs: np.ndarray, frequency_hz: np.ndarray, chain: Chain) -> np.ndarray:
    """Return rms millivolts at the cartridge's terminals of a component at its played frequency.

    Parameters
    ----------
    amplitude_fs : numpy.ndarray
        Peak amplitude, full-scale sine = 1; complex amplitudes keep their phase less the chain's.
    """
    volts = amplitude_fs * chain.full_scale_v_rms / 10.0 ** (chain.gain_db / 20.0)
    response = chain_response(frequency_hz, chain)
    return 1e3 * volts / (response if np.iscomplexobj(volts) else np.abs(response))


def denoised(amplitude: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """Return amplitudes less the noise power they hold; 0 where there is nothing but noise.

    Examples
    --------
    >>> denoised(np.array([5.0, 1.0]), np.array([3.0, 2.0])).tolist()
    [4.0, 0.0]
    """
    return np.sqrt(np.maximum(amplitude**2 - np.nan_to_num(floor) ** 2, 0.0))


def channel_velocity_rms_cm_s(track: Track, nominal_hz: np.ndarray, side: Side) -> np.ndarray:
    """Return the nominal rms velocity of one driven channel of a track at its nominal frequency.

    The recorded law and the record's calibration are in it. NaN where the plan gives no velocity.
    """
    factor = 10.0 ** (recorded_deviation_db(track, nominal_hz, side) / 20.0)
    return stated_velocity_rms_cm_s(track) * factor


def stated_velocity_rms_cm_s(track: Track) -> float:
    """Return the rms velocity of one driven channel that the plan states for a track.

    NaN for none.
    """
    if track.velocity_cm_s is None:
        return float("nan")
    velocity = rms_velocity_cm_s(track.velocity_cm_s, track.velocity_measure)
    return float(channel_velocity_cm_s(velocity, str(track.modulation)))


def recorded_deviation_db(track: Track, nominal_hz: np.ndarray, side: Side) -> np.ndarray:
    """Return the recorded velocity over the track's stated one.

    The law of the track plus the calibration.
    """
    law_db = recorded_velocity_db(nominal_hz, track.recorded)
    rows = np.array([(hz, db) for number, hz, db in side.calibration if number == track.track])
    if not len(rows):
        return law_db
    rows = rows[np.argsort(rows[:, 0])]
    return law_db + np.interp(np.log(nominal_hz), np.log(rows[:, 0]), rows[:, 1])
