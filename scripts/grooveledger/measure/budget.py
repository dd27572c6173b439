"""The components of a figure's uncertainty that are no noise: what the tolerances contribute.

Each component is a standard uncertainty. Which tolerance enters which figure, and where one enters
twice and cancels, is the methods pages' table of budgets.
"""

import numpy as np

from grooveledger.measure.context import CaptureContext
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.uncertainty import apart_db, between_db, rectangular
from grooveledger.plan import Cartridge, Chain, Side

#: Rms speed fluctuation, as a fraction, of a platter whose capture has no speed tone: a weighted
#: two-sigma peak of 0.1 % is usual (common practice).
USUAL_SPEED_RMS = 0.0005
#: A cartridge gives the output that its data sheet rates within this, dB (common practice).
RATED_OUTPUT_TOLERANCE_DB = 2.0
#: Decibels of a factor e.
DB_PER_NEPER = 20.0 / np.log(10.0)

#: Standard uncertainties by component.
Parts = dict[str, float]


def level_parts_db(side: Side, chain: Chain, frequency_hz: float) -> Parts:
    """Return the components of a level in volts.

    The record's level, the preamplifier's gain and the converter's full scale are each known within
    a tolerance; away from 1 kHz, where its gain is stated, the preamplifier's response adds its
    own.
    """
    return {
        "record": float(rectangular(side.response_tolerance_db)),
        "preamplifier": float(between_db(chain.response_tolerance_db, frequency_hz, REFERENCE_HZ)),
        "gain": float(rectangular(chain.gain_tolerance_db)),
        "full_scale": float(rectangular(chain.full_scale_tolerance_db)),
    }


def balance_parts_db(side: Side, chain: Chain, is_one_track: bool) -> Parts:
    """Return the components of a level difference between the channels.

    The converter's full scale and the gain of both channels cancel, and so does the record's level
    where one track drives both; two tracks have each their own.
    """
    parts = {"gain": float(rectangular(chain.channel_match_db))}
    if not is_one_track:
        parts |= two_tracks_db(side)
    return parts


def two_tracks_db(side: Side) -> Parts:
    """Return the components of the level of one track relative to that of another."""
    record_db = float(rectangular(side.response_tolerance_db))
    return {"record": record_db, "second_track": record_db}


def response_parts_db(
    chain: Chain, frequency_hz: np.ndarray, reference_hz: np.ndarray
) -> dict[str, np.ndarray]:
    """Return the components of a response relative to its reference but the record's, (n,) each."""
    tolerance_db = chain.response_tolerance_db
    return {"preamplifier": between_db(tolerance_db, frequency_hz, reference_hz)}


def record_part_db(
    side: Side, frequency_hz: np.ndarray, reference_hz: np.ndarray, is_same_cut: np.ndarray
) -> np.ndarray:
    """Return the record's part of a response relative to its reference, shape (n,).

    Parameters
    ----------
    is_same_cut : ndarray of bool, shape (n,)
        Points of the track that the reference is read from. Any other was cut at a level of its
        own, as much in doubt as that of the reference and independent of it.
    """
    tolerance_db = side.response_tolerance_db
    apart_db = float(np.sqrt(2.0) * rectangular(tolerance_db))
    return np.where(is_same_cut, between_db(tolerance_db, frequency_hz, reference_hz), apart_db)


def harmonic_parts(
    chain: Chain, frequency_hz: np.ndarray, orders: np.ndarray, ratios: np.ndarray
) -> dict[str, np.ndarray]:
    """Return the preamplifier's parts of the root sum square of harmonics, in their own unit.

    The gain at each order and that at the fundamental depart from that at 1 kHz within the
    preamplifier's tolerance; orders nearer to one another than an octave share what they depart by
    (`apart_db`). All orders refer to the one fundamental, so its part does not average out.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        The fundamental's.
    orders : ndarray, shape (m,)
        The orders.
    ratios : ndarray, shape (n, m)
        Each order relative to the fundamental; NaN where not observed.
    """
    tolerance_db = chain.response_tolerance_db
    line_hz = frequency_hz[:, np.newaxis] * orders
    u = between_db(tolerance_db, line_hz, REFERENCE_HZ) / DB_PER_NEPER
    power = np.nan_to_num(ratios) ** 2
    total = np.sqrt(power.sum(axis=1))
    octaves = np.subtract.outer(np.log2(orders), np.log2(orders))
    shared = np.maximum(1.0 - octaves**2, 0.0)
    spread = np.sqrt(np.einsum("im,mn,in->i", power * u, shared, power * u))
    own = np.divide(spread, total, out=np.zeros(len(total)), where=total > 0.0)
    return {
        "preamplifier": np.asarray(own),
        "second_frequency": total
        * between_db(tolerance_db, frequency_hz, REFERENCE_HZ)
        / DB_PER_NEPER,
    }


def sideband_part(chain: Chain, low_hz: float, high_hz: float) -> float:
    """Return the preamplifier's part of a sideband over its high tone, relative."""
    apart = apart_db(chain.response_tolerance_db, high_hz + low_hz, high_hz, REFERENCE_HZ)
    return float(apart / DB_PER_NEPER)


def noise_parts_db(side: Side, chain: Chain, is_rated: bool) -> Parts:
    """Return the components of a noise level relative to a velocity.

    The velocity's output is read from level tones of the record, whose gain is that of the noise;
    noise lies octaves away from them. A rated output is known less well, and knows no gain.
    """
    parts = {"preamplifier": float(rectangular(chain.response_tolerance_db))}
    if not is_rated:
        return parts | {"record": float(rectangular(side.response_tolerance_db))}
    return parts | {
        "rated": float(rectangular(RATED_OUTPUT_TOLERANCE_DB)),
        "gain": float(rectangular(chain.gain_tolerance_db)),
        "full_scale": float(rectangular(chain.full_scale_tolerance_db)),
    }


def arm_mass_part(chain: Chain, cartridge: Cartridge) -> float:
    """Return the arm mass's part of a compliance, relative: compliance times mass is fixed."""
    arm_g = chain.arm_effective_mass_g
    share = arm_g / (arm_g + (cartridge.mass_g or 0.0))
    return float(rectangular(chain.arm_mass_tolerance_pct / 100.0)) * share


def speed_rms(context: CaptureContext) -> float:
    """Return the rms speed fluctuation of the capture as a fraction, its drift left out.

    The median of its speed tones; the usual one where it has none.
    """
    trace = context.observations.get("speed_trace", {})
    deviations = []
    for track in np.unique(trace.get("track", np.empty(0))):
        rows = trace["track"] == track
        channel = trace["channel"][rows]
        deviation_pct = trace["deviation_pct"][rows][channel == channel[0]]
        place = np.linspace(-1.0, 1.0, len(deviation_pct))
        slope = float(place @ deviation_pct) / max(float(place @ place), 1e-12)
        deviations.append(float(np.std(deviation_pct - slope * place)) / 100.0)
    return float(np.median(deviations)) if deviations else USUAL_SPEED_RMS


def speed_part_db(context: CaptureContext) -> float:
    """Return the part of a swept response relative to a reference from the platter's speed.

    A cell is swept in less than a revolution. The platter is then faster or slower than on average
    by chance, and so is the groove's velocity; the reference has its own deviation.
    """
    return float(DB_PER_NEPER * np.sqrt(2.0) * speed_rms(context))
