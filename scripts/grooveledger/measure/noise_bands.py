"""Cut noise in thirds of an octave, at the cartridge's terminals."""

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.fundamentals import speed_ratio
from grooveledger.measure.terminals import OTHER, by_channel, output_mv, recorded_deviation_db
from grooveledger.physics.third_octaves import (
    DB_PER_NEPER_OF_POWER,
    in_bands,
    noise_power_db,
    third_octaves,
)
from grooveledger.physics.uncertainty import rectangular
from grooveledger.plan import Chain, Track
from grooveledger.plan.uses import is_noise_groove

#: Bands are read up to this part of half the sampling rate: above, a converter's filter falls.
TOP_PART = 0.94
#: A band stands clear where it holds at least so much more power than noise would alone.
CLEAR = 2.0
#: Where a side has no silent groove, its noise is at most what is heard across the modulation.
ACROSS = {"lateral": "difference", "vertical": "sum", **OTHER}
#: Points of a band at which colour and recorded law are averaged.
POINTS_A_BAND = 25
#: Power density of each colour of noise goes with this power of the frequency.
COLOUR_POWER = {"white": 0.0, "pink": -1.0}


class NoiseBands(NamedTuple):
    """Bands of a track of noise in one channel, by rising frequency, shape (n,) each.

    Attributes
    ----------
    nominal_hz, middle_hz, low_hz, high_hz : ndarray
        The bands (IEC 61260-1).
    level_mv : ndarray
        Rms output at the terminals, the groove's own noise taken off where a silent groove shows it
        it; an upper bound where `limited`.
    noise_db : ndarray
        Standard uncertainty: the noise is random, and the groove's own is in it.
    floor_db : ndarray
        Level over the groove's own noise, or over what is heard across the modulation.
    limited : ndarray of bool
        Whether the band does not stand clear of that.
    coherence : ndarray
        Part of the power that both channels share in phase or antiphase, 0 to 1; NaN where one is
        dead.
    averaged : ndarray
        Number of independent readings that the mean square averages, B T.
    """

    nominal_hz: np.ndarray
    middle_hz: np.ndarray
    low_hz: np.ndarray
    high_hz: np.ndarray
    level_mv: np.ndarray
    noise_db: np.ndarray
    floor_db: np.ndarray
    limited: np.ndarray
    coherence: np.ndarray
    averaged: np.ndarray


def noise_bands(context: CaptureContext, track: Track, channel: str) -> NoiseBands | None:
    """Read the bands of a track of noise in one channel; None where it was not analysed."""
    density = by_channel(context.observations["noise_density"], context.chain)
    read = _of_track(density, track.track)
    if not len(read["left"]["frequency_hz"]):
        return None
    bands = third_octaves()
    reach = bands.high_hz <= TOP_PART * _edges_hz(read[channel])[-1]
    nominal_hz, middle_hz, low_hz, high_hz = (values[reach] for values in bands)
    mv2, sampled_db, averaged_s = _powers(read, channel, low_hz, high_hz, context.chain)
    grooves = [t for t in context.side.tracks if is_noise_groove(t)]
    silent = next(
        (
            of
            for groove in grooves
            if len((of := _of_track(density, groove.track))["left"]["ticks"])
        ),
        None,
    )
    if silent is not None:
        floor_mv2, floor_sampled_db, _ = _powers(silent, channel, low_hz, high_hz, context.chain)
        limited = ~(mv2 > CLEAR * floor_mv2)
        level_mv2 = np.where(limited, mv2, mv2 - floor_mv2)
        share = np.where(limited, 1.0, floor_mv2 / np.maximum(level_mv2, np.finfo(float).tiny))
        noise_db = np.hypot(sampled_db * (1.0 + share), floor_sampled_db * share)
    else:
        across = ACROSS[str(track.modulation)]
        floor_mv2, _, _ = _powers(read, across, low_hz, high_hz, context.chain)
        limited = ~(mv2 > CLEAR * floor_mv2)
        level_mv2 = mv2
        share = np.where(limited, 1.0 / CLEAR, floor_mv2 / np.maximum(mv2, np.finfo(float).tiny))
        # Anything from none of it to all of it may be noise.
        noise_db = np.hypot(sampled_db, rectangular(-5.0 * np.log10(1.0 - share)))
    left_mv2, right_mv2, sum_mv2, difference_mv2 = (
        _powers(read, name, low_hz, high_hz, context.chain)[0]
        for name in ("left", "right", "sum", "difference")
    )
    both = left_mv2 * right_mv2
    shared = np.divide(
        (0.5 * (sum_mv2 - difference_mv2)) ** 2,
        both,
        out=np.full(len(both), np.nan),
        where=both > 0.0,
    )
    present = (level_mv2 > 0.0) & (floor_mv2 > 0.0)
    ratio = np.divide(mv2, floor_mv2, out=np.full(len(mv2), np.nan), where=present)
    return NoiseBands(
        nominal_hz,
        middle_hz,
        low_hz,
        high_hz,
        np.where(level_mv2 > 0.0, np.sqrt(level_mv2), np.nan),
        noise_db,
        10.0 * np.log10(ratio),
        limited,
        np.minimum(shared, 1.0),
        averaged_s * (high_hz - low_hz),
    )


def levels_re_cut_db(context: CaptureContext, track: Track, bands: NoiseBands) -> np.ndarray:
    """Return the output at each band's middle relative to what was cut there, dB, up to a constant.

    A band is a mean of power over a third of an octave. Where the response slopes or bends, that is
    not the value in the middle: by 0.3 dB at 18 dB an octave, and by 0.2 dB on a resonance of Q 2.
    The bands beside it show by how much.
    """
    output_db = 20.0 * np.log10(bands.level_mv)
    level_db = output_db - 10.0 * np.log10(_recorded_powers(context, track, bands, 0.0))
    if len(level_db) < 2:
        return level_db
    slopes = np.gradient(level_db, np.log(bands.middle_hz)) / DB_PER_NEPER_OF_POWER
    cut = _recorded_powers(context, track, bands, np.nan_to_num(slopes)[:, None])
    # A parabola's mean over a band is off its middle by a 24th of its second difference.
    bends_db = np.zeros(len(level_db))
    bends_db[1:-1] = np.nan_to_num(np.diff(level_db, 2)) / 24.0
    return output_db - 10.0 * np.log10(cut) - bends_db


def _recorded_powers(
    context: CaptureContext, track: Track, bands: NoiseBands, slopes: float | np.ndarray
) -> np.ndarray:
    """Return the power that each band would have after a response of some slopes, 1 in its middle.

    Colour, law and calibration are those of the recorded frequency. `slopes` are powers of the
    frequency that power goes with, shape (n, 1).
    """
    speed = speed_ratio(context)
    along = np.linspace(0.0, 1.0, POINTS_A_BAND)
    log_hz = np.log(bands.low_hz)[:, None] + along * np.log(bands.high_hz / bands.low_hz)[:, None]
    hz = np.exp(log_hz) / speed
    law_db = recorded_deviation_db(track, hz, context.side)
    density = hz ** COLOUR_POWER[str(track.colour)] * 10.0 ** (law_db / 10.0)
    density = density * (hz * speed / bands.middle_hz[:, None]) ** slopes
    return np.trapezoid(density * hz, log_hz, axis=1)


def _of_track(density: Mapping[str, np.ndarray], number: int) -> dict[str, dict[str, np.ndarray]]:
    """Return the columns of a track by channel."""
    of_track = density["track"] == number
    return {
        name: {
            key: column[of_track & (density["channel"] == name)] for key, column in density.items()
        }
        for name in ("left", "right", "sum", "difference")
    }


def _edges_hz(rows: Mapping[str, np.ndarray]) -> np.ndarray:
    low_hz = rows["frequency_hz"] - 0.5 * rows["bandwidth_hz"]
    return np.append(low_hz, low_hz[-1] + rows["bandwidth_hz"][-1])


def _powers(
    read: Mapping[str, Mapping[str, np.ndarray]],
    channel: str,
    low_hz: np.ndarray,
    high_hz: np.ndarray,
    chain: Chain,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return each band's mean square, mV^2 at the terminals, its scatter, dB, and its averaging, s.

    The replay curve is undone in each narrow band: over a third of an octave it falls by 2 dB.
    """
    rows = read[channel]
    gain = output_mv(np.ones(len(rows["frequency_hz"])), rows["frequency_hz"], chain)
    # A sine of peak 1, full scale, has a mean square of one half.
    powers = 2.0 * gain**2 * rows["density_fs2_per_hz"] * rows["bandwidth_hz"]
    mv2 = in_bands(_edges_hz(rows), powers, low_hz, high_hz)
    middle_hz = np.sqrt(low_hz * high_hz)
    nearest = np.clip(np.searchsorted(rows["frequency_hz"], middle_hz), 0, len(powers) - 1)
    averaged_s = rows["averaged_s"][nearest]
    return mv2, noise_power_db(high_hz - low_hz, averaged_s), averaged_s
