"""Scalar figures that are read from curves: response, separation and distortion."""

from collections.abc import Callable, Iterator, Mapping

import numpy as np

from grooveledger.measure.curves import covers, smoothed, value_at
from grooveledger.measure.metric_rows import Columns, Figure, Measured, groups
from grooveledger.physics.equalisation import REFERENCE_HZ

#: Band over which deviation and least separation are taken.
SPREAD_BAND_HZ = (1000.0, 10_000.0)
#: The limit of the response.
UPPER_LIMIT_DB = -3.0
#: A peak is looked for from 1 kHz up and counts from here, an octave above it.
PEAK_FROM_HZ = 2000.0


def at_frequency(
    measured: Measured,
    table: str,
    wanted: Mapping[str, tuple[str, float]],
    uncertainty: Callable[[Columns], np.ndarray],
) -> Iterator[Figure]:
    """Read metrics at their frequencies from every curve of a table.

    Parameters
    ----------
    wanted : mapping
        Column and frequency by metric.
    uncertainty : callable
        Gives the standard uncertainty of each row of a curve.
    """
    octaves = measured.smoothing_octaves
    for track, channel, rows in groups(measured.tables, table):
        spread = uncertainty(rows)
        for metric, (column, wanted_hz) in wanted.items():
            yield _read(metric, track, channel, rows, column, wanted_hz, octaves, spread)


def _read(
    metric: str,
    track: int,
    channel: str,
    rows: Columns,
    column: str,
    wanted_hz: float,
    octaves: float,
    uncertainty: np.ndarray,
) -> Figure:
    """Read one figure from a curve; limited where a point it is read from is."""
    frequency_hz, values, there = curve(rows, column, octaves)
    if not covers(frequency_hz, wanted_hz):
        return Figure(metric, channel, track, np.nan)
    value = value_at(frequency_hz, values, wanted_hz)
    near = there[neighbours(frequency_hz, wanted_hz)]
    limited = bool(rows["limited"][near].any())
    order_max = float(rows["order_max"][near].min()) if "order_max" in rows else np.nan
    spread = value_at(frequency_hz, uncertainty[there], wanted_hz)
    if column in ("h2_pct", "h3_pct"):
        # The row's `limited` speaks of all orders together; one alone may lie under the noise.
        floor_pct = value_at(frequency_hz, rows["floor_pct"][there], wanted_hz)
        limited = limited or value < floor_pct
        value = max(value, floor_pct) if limited else value
    return Figure(metric, channel, track, value, spread, limited, order_max)


def response_shape(measured: Measured) -> Iterator[Figure]:
    """Tell peak, deviation and upper limit of every response."""
    for track, channel, rows in groups(measured.tables, "response"):
        frequency_hz, response_db, there = curve(rows, "response_db", measured.smoothing_octaves)
        noise_db = rows["uncertainty_db"][there]
        peak_hz, peak_db = _peak(frequency_hz, response_db)
        at_peak_db = value_at(frequency_hz, noise_db, peak_hz) if peak_hz == peak_hz else np.nan
        yield Figure("response_peak_db", channel, track, peak_db, at_peak_db)
        yield Figure("response_peak_hz", channel, track, peak_hz)
        spread_db = band_values(frequency_hz, response_db)
        deviation_db = 0.5 * np.ptp(spread_db) if len(spread_db) else np.nan
        yield Figure("response_deviation_db", channel, track, float(deviation_db))
        yield Figure("upper_limit_hz", channel, track, _upper_limit_hz(frequency_hz, response_db))


def band_values(frequency_hz: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Values over SPREAD_BAND_HZ with the band's ends; empty where the curve does not cover it."""
    if not all(covers(frequency_hz, end_hz) for end_hz in SPREAD_BAND_HZ):
        return np.empty(0)
    low_hz, high_hz = SPREAD_BAND_HZ
    inside = values[(frequency_hz > low_hz) & (frequency_hz < high_hz)]
    ends = [value_at(frequency_hz, values, end_hz) for end_hz in SPREAD_BAND_HZ]
    return np.array([*inside, *ends])


def _peak(frequency_hz: np.ndarray, response_db: np.ndarray) -> tuple[float, float]:
    """Place and height of the treble peak: the highest point above 1 kHz, if an octave above it.

    Between points it is the vertex of the parabola on log frequency through the three highest.
    """
    treble = np.flatnonzero(frequency_hz >= REFERENCE_HZ)
    if not len(treble) or frequency_hz[-1] < PEAK_FROM_HZ:
        return np.nan, np.nan
    top = int(treble[np.argmax(response_db[treble])])
    if frequency_hz[top] < PEAK_FROM_HZ:
        return np.nan, np.nan
    if top == len(frequency_hz) - 1:
        return float(frequency_hz[top]), float(response_db[top])
    place = np.log(frequency_hz[top - 1 : top + 2] / frequency_hz[top])
    bend, slope, height = np.polyfit(place, response_db[top - 1 : top + 2], 2)
    if bend >= 0.0:
        return float(frequency_hz[top]), float(response_db[top])
    vertex = -0.5 * slope / bend
    return float(frequency_hz[top] * np.exp(vertex)), float(height + 0.5 * slope * vertex)


def _upper_limit_hz(frequency_hz: np.ndarray, response_db: np.ndarray) -> float:
    """First frequency above 1 kHz at which the response is 3 dB down; NaN where it never is."""
    if not covers(frequency_hz, REFERENCE_HZ):
        return float("nan")
    below = np.flatnonzero((response_db <= UPPER_LIMIT_DB) & (frequency_hz > REFERENCE_HZ))
    if not len(below) or below[0] == 0:
        return float("nan")
    pair = slice(below[0] - 1, below[0] + 1)
    return float(np.exp(np.interp(-UPPER_LIMIT_DB, -response_db[pair], np.log(frequency_hz[pair]))))


def curve(rows: Columns, column: str, octaves: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frequencies, smoothed values and row numbers of the curve's points that have a value."""
    there = np.flatnonzero(~np.isnan(rows[column]))
    frequency_hz = rows["frequency_hz"][there]
    return frequency_hz, smoothed(frequency_hz, rows[column][there], octaves), there


def neighbours(frequency_hz: np.ndarray, wanted_hz: float) -> np.ndarray:
    """Places of the two points between which a curve is read (one at an end or on a point)."""
    after = int(np.searchsorted(frequency_hz, wanted_hz, side="left"))
    last = len(frequency_hz) - 1
    if after <= last and frequency_hz[after] == wanted_hz:
        return np.array([after])
    return np.unique(np.clip([after - 1, after], 0, last))
