"""Figures of a response's shape: treble peak, deviation over a band, upper limit."""

from collections.abc import Iterator, Mapping

import numpy as np

from grooveledger.measure.curve_metrics import (
    NEIGHBOUR_RATIO,
    PartsOf,
    band_values,
    curve,
    is_readable,
    refers_to_1khz,
)
from grooveledger.measure.curves import covers, value_at
from grooveledger.measure.metric_rows import Figure, Measured, groups
from grooveledger.physics.equalisation import REFERENCE_HZ

#: The limit of the response.
UPPER_LIMIT_DB = -3.0
#: A peak is sought from 1 kHz up and counts from here, an octave above it.
PEAK_FROM_HZ = 2000.0
#: Another place may be the peak if it is as high within this many standard uncertainties; closer
#: than this, in octaves, it belongs to the peak itself.
RIVAL_SIGMAS, RIVAL_OCTAVES = 1.645, 0.5
#: A curve's slope is taken over this far to both sides, octaves.
SLOPE_OCTAVES = 1.0 / 12.0
#: A tolerance bends a response by its half-width over an octave (`physics.uncertainty.between_db`).
NEPERS_PER_OCTAVE = float(np.log(2.0))


def response_shape(measured: Measured, parts_of: PartsOf) -> Iterator[Figure]:
    """Yield peak, deviation and upper limit of every response.

    Parameters
    ----------
    parts_of : callable
        Gives the standard uncertainties of each row of a response, dB, by component.
    """
    for track, channel, rows in groups(measured.tables, "response"):
        frequency_hz, response_db, there = curve(rows, "response_db", measured.smoothing_octaves)
        parts_db = {name: u[there] for name, u in parts_of(rows, "response_db").items()}
        clear = ~rows["limited"][there].astype(bool)
        peak_hz, peak_db = peak(frequency_hz[clear], response_db[clear])
        at_peak_db = _at(frequency_hz, parts_db, peak_hz)
        if not refers_to_1khz(rows):
            peak_db = np.nan
        yield _figure("response_peak_db", channel, track, peak_db, at_peak_db)
        per_db = _peak_hz_per_db(frequency_hz[clear], response_db[clear], peak_hz)
        moved_hz = {name: per_db * u_db for name, u_db in at_peak_db.items()}
        elsewhere_hz = _furthest_rival_hz(
            frequency_hz[clear], response_db[clear], peak_hz,
            np.sqrt(sum(u_db[clear] ** 2 for u_db in parts_db.values())),
        )  # fmt: skip
        moved_hz["interpolation"] = abs(elsewhere_hz - peak_hz)
        yield _figure("response_peak_hz", channel, track, peak_hz, moved_hz)
        spread_db = band_values(frequency_hz, response_db)
        deviation_db = 0.5 * float(np.ptp(spread_db)) if len(spread_db) else np.nan
        # Half the difference of two readings, each with its own deviation.
        half_db = {n: float(np.max(u)) / np.sqrt(2.0) for n, u in parts_db.items() if len(u)}
        yield _figure("response_deviation_db", channel, track, deviation_db, half_db)
        limit_hz = upper_limit_hz(frequency_hz, response_db) if refers_to_1khz(rows) else np.nan
        per_db = _limit_hz_per_db(frequency_hz, response_db, limit_hz)
        at_limit_db = _at(frequency_hz, parts_db, limit_hz)
        moved_hz = {name: per_db * u_db for name, u_db in at_limit_db.items()}
        yield _figure("upper_limit_hz", channel, track, limit_hz, moved_hz)


def _figure(
    metric: str, channel: str, track: int, value: float, parts: Mapping[str, float]
) -> Figure:
    others = {name: u for name, u in parts.items() if name != "noise"}
    return Figure(metric, channel, track, value, parts.get("noise", np.nan), parts=others)


def _at(
    frequency_hz: np.ndarray, parts_db: Mapping[str, np.ndarray], wanted_hz: float
) -> dict[str, float]:
    if not np.isfinite(wanted_hz):
        return {}
    return {name: value_at(frequency_hz, u_db, wanted_hz) for name, u_db in parts_db.items()}


def peak(frequency_hz: np.ndarray, response_db: np.ndarray) -> tuple[float, float]:
    """Place and height of the treble peak: the highest point above 1 kHz, if an octave above it.

    Between points it is the vertex of the parabola on log frequency through the three highest; at
    an end of the curve, the end. None where the points beside the highest are too far from it: what
    lies between is not known.

    Examples
    --------
    >>> hz = np.geomspace(1000.0, 20_000.0, 40)
    >>> peak_hz, peak_db = peak(hz, 3.0 - np.log(hz / 12_000.0) ** 2)
    >>> round(peak_hz), round(peak_db, 3)
    (12000, 3.0)
    """
    treble = np.flatnonzero(frequency_hz >= REFERENCE_HZ)
    if not len(treble):
        return np.nan, np.nan
    top = int(treble[np.argmax(response_db[treble])])
    if frequency_hz[top] < PEAK_FROM_HZ:
        return np.nan, np.nan
    about_hz = frequency_hz[max(top - 1, 0) : top + 2]
    if (about_hz[1:] > NEIGHBOUR_RATIO * about_hz[:-1]).any():
        return np.nan, np.nan
    if top in (0, len(frequency_hz) - 1):
        return float(frequency_hz[top]), float(response_db[top])
    place = np.log(frequency_hz[top - 1 : top + 2] / frequency_hz[top])
    bend, slope, height = np.polyfit(place, response_db[top - 1 : top + 2], 2)
    if bend >= 0.0:
        return float(frequency_hz[top]), float(response_db[top])
    vertex = -0.5 * slope / bend
    return float(frequency_hz[top] * np.exp(vertex)), float(height + 0.5 * slope * vertex)


def _peak_hz_per_db(frequency_hz: np.ndarray, response_db: np.ndarray, peak_hz: float) -> float:
    """Return how far the peak moves for a deviation of one decibel over an octave.

    A tilt t moves a parabola's vertex by t / (2 bend). The bend is that over a third of an octave
    about the peak, and never taken as less than falls by the tilt itself.
    """
    if not np.isfinite(peak_hz):
        return np.nan
    near = np.abs(np.log2(frequency_hz / peak_hz)) <= 1.0 / 3.0
    if near.sum() < 3:
        return np.nan
    bend = -float(np.polyfit(np.log(frequency_hz[near] / peak_hz), response_db[near], 2)[0])
    tilt = 1.0 / NEPERS_PER_OCTAVE
    return peak_hz * tilt / (2.0 * bend) if bend > tilt else peak_hz * 0.5


def _furthest_rival_hz(
    frequency_hz: np.ndarray, response_db: np.ndarray, peak_hz: float, u_db: np.ndarray
) -> float:
    """Return the furthest place, half an octave and more away, that may be the true peak.

    A rival is as high within what both may be off by (one-sided 95 %); the peak itself where there
    is none.
    """
    treble = np.flatnonzero(frequency_hz >= PEAK_FROM_HZ)
    if not np.isfinite(peak_hz) or not len(treble):
        return peak_hz
    place = treble[np.argmin(np.abs(frequency_hz[treble] - peak_hz))]
    apart = np.hypot(u_db[treble], u_db[place])
    rival = response_db[place] - response_db[treble] <= RIVAL_SIGMAS * apart
    rival &= np.abs(np.log2(frequency_hz[treble] / peak_hz)) >= RIVAL_OCTAVES
    away = np.where(rival, np.abs(frequency_hz[treble] - peak_hz), 0.0)
    return float(frequency_hz[treble][np.argmax(away)]) if rival.any() else peak_hz


def upper_limit_hz(frequency_hz: np.ndarray, response_db: np.ndarray) -> float:
    """Return the first frequency above 1 kHz at which the response is 3 dB down.

    NaN where it never is.

    Examples
    --------
    >>> hz = np.array([500.0, 1000.0, 1250.0, 1600.0, 2000.0])
    >>> round(upper_limit_hz(hz, np.array([0.0, 0.0, -1.0, -2.0, -4.0])))
    1789
    """
    if not covers(frequency_hz, REFERENCE_HZ):
        return float("nan")
    below = np.flatnonzero((response_db <= UPPER_LIMIT_DB) & (frequency_hz > REFERENCE_HZ))
    if not len(below) or below[0] == 0:
        return float("nan")
    pair = slice(below[0] - 1, below[0] + 1)
    limit = np.interp(-UPPER_LIMIT_DB, -response_db[pair], np.log(frequency_hz[pair]))
    limit_hz = float(np.exp(limit))
    return limit_hz if is_readable(frequency_hz, limit_hz) else float("nan")


def _limit_hz_per_db(frequency_hz: np.ndarray, response_db: np.ndarray, limit_hz: float) -> float:
    """Return how far the upper limit moves for a deviation of 1 dB, by the slope about it."""
    if not np.isfinite(limit_hz):
        return np.nan
    reach = 2.0**SLOPE_OCTAVES
    ends = np.log(np.clip([limit_hz / reach, limit_hz * reach], frequency_hz[0], frequency_hz[-1]))
    falls = -float(np.diff(np.interp(ends, np.log(frequency_hz), response_db))[0])
    if falls <= 0.0:
        return np.nan
    return limit_hz * float(np.diff(ends)[0]) / falls
