"""Scalar figures that are read at given frequencies of response, separation and distortion."""

from collections.abc import Callable, Iterator, Mapping

import numpy as np

from grooveledger.measure.curves import COVER_TOLERANCE, averaged_points, covers, smoothed, value_at
from grooveledger.measure.metric_rows import Columns, Figure, Measured, groups
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.uncertainty import combine, rectangular

#: Band over which deviation and least separation are taken.
SPREAD_BAND_HZ = (1000.0, 10_000.0)
#: A curve is read between two points at most so far apart: a third of an octave, as the nominal
#: frequencies of thirds of octaves round it (ISO 266: 630 to 800 Hz and 1250 to 1600 Hz).
NEIGHBOUR_RATIO = 1.285
#: What a straight line between two points may be off by, over what the point between three is off
#: from the line between the outer ones: the error of a parabola goes with the square of the step.
INTERPOLATION_SHARE = 0.25

#: Components of each row of a curve for one of its columns; `noise` is among them.
PartsOf = Callable[[Columns, str], Mapping[str, np.ndarray]]


def at_frequency(
    measured: Measured,
    table: str,
    wanted: Mapping[str, tuple[str, float]],
    parts_of: PartsOf,
) -> Iterator[Figure]:
    """Read metrics at their frequencies from every curve of a table.

    Parameters
    ----------
    wanted : mapping
        Column and frequency by metric.
    parts_of : callable
        Gives the standard uncertainties of each row of a curve, by component.
    """
    octaves = measured.smoothing_octaves
    for track, channel, rows in groups(measured.tables, table):
        for metric, (column, wanted_hz) in wanted.items():
            parts = parts_of(rows, column)
            yield _read(metric, track, channel, rows, column, wanted_hz, octaves, parts)


def _read(
    metric: str,
    track: int,
    channel: str,
    rows: Columns,
    column: str,
    wanted_hz: float,
    octaves: float,
    parts: Mapping[str, np.ndarray],
) -> Figure:
    """Read one figure from a curve; limited where a point it is read from is.

    Null where the points beside it are too far apart, and where the curve refers to another
    frequency than 1 kHz, which the figure's name promises.
    """
    frequency_hz, values, there = curve(rows, column, octaves)
    if not is_readable(frequency_hz, wanted_hz) or not refers_to_1khz(rows):
        return Figure(metric, channel, track, np.nan)
    value = value_at(frequency_hz, values, wanted_hz)
    near = there[neighbours(frequency_hz, wanted_hz)]
    order_max = float(rows["order_max"][near].min()) if "order_max" in rows else np.nan
    is_bound = rows["limited"].astype(bool)
    if column in ("h2_pct", "h3_pct"):
        # The row's `limited` refers to all orders together; one alone that noise hides has none.
        is_bound = is_bound | np.isnan(parts["noise"])
    in_bounds = smoothed(frequency_hz, is_bound[there].astype(float), octaves)
    limited = bool((in_bounds[neighbours(frequency_hz, wanted_hz)] > 0.0).any())
    averaged = averaged_points(frequency_hz, octaves)
    read = {name: value_at(frequency_hz, u[there], wanted_hz) for name, u in parts.items()}
    noise = read.pop("noise") / np.sqrt(value_at(frequency_hz, averaged, wanted_hz))
    # A table of pairs of tracks has one frequency for both.
    played_hz = rows.get("played_hz", rows["frequency_hz"])[there]
    read["interpolation"] = float(
        combine(
            interpolation_part(frequency_hz, values, wanted_hz),
            mistuning_part(frequency_hz, values, played_hz, wanted_hz),
        )
    )
    return Figure(metric, channel, track, value, noise, limited, order_max, read)


def refers_to_1khz(rows: Columns) -> bool:
    """Whether a curve refers to 1 kHz, or to no frequency at all."""
    return "reference_hz" not in rows or bool(np.all(rows["reference_hz"] == REFERENCE_HZ))


def is_readable(frequency_hz: np.ndarray, wanted_hz: float) -> bool:
    """Whether rising points cover a frequency, and lie close enough about it to be read there.

    Examples
    --------
    Tones at 2 and 5 kHz give no figure at 3 kHz:

    >>> is_readable(np.array([2000.0, 5000.0]), 3000.0)
    False
    >>> is_readable(np.array([2500.0, 3150.0]), 3000.0)
    True
    """
    if not covers(frequency_hz, wanted_hz):
        return False
    beside_hz = frequency_hz[neighbours(frequency_hz, wanted_hz)]
    is_on_point = np.any(np.abs(beside_hz / wanted_hz - 1.0) <= COVER_TOLERANCE)
    return bool(is_on_point or beside_hz[-1] <= NEIGHBOUR_RATIO * beside_hz[0])


def interpolation_part(frequency_hz: np.ndarray, values: np.ndarray, wanted_hz: float) -> float:
    """Return the standard uncertainty of reading a bent curve by a straight line between points.

    Zero on a point; unknown bends beyond the ends are taken as those of the nearest three points.
    """
    beside = neighbours(frequency_hz, wanted_hz)
    if len(beside) < 2 or len(frequency_hz) < 3:
        return 0.0
    place = np.log(frequency_hz)
    middles = np.unique(np.clip(beside, 1, len(place) - 2))
    off = [
        abs(values[m] - np.interp(place[m], place[[m - 1, m + 1]], values[[m - 1, m + 1]]))
        for m in middles
    ]
    return float(rectangular(INTERPOLATION_SHARE * max(off)))


def mistuning_part(
    frequency_hz: np.ndarray, values: np.ndarray, played_hz: np.ndarray, wanted_hz: float
) -> float:
    """Return what a curve changes by between the nominal frequency of a tone and the played one.

    Zero on a sweep, whose points lie at their played frequencies.
    """
    if len(frequency_hz) < 2:
        return 0.0
    octaves = np.log2(frequency_hz)
    beside = neighbours(frequency_hz, wanted_hz)
    off_octaves = np.log2(played_hz[beside] / frequency_hz[beside])
    return float(np.max(np.abs(np.gradient(values, octaves)[beside] * np.nan_to_num(off_octaves))))


def band_values(frequency_hz: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Return values over SPREAD_BAND_HZ with the band's ends; empty where the curve has gaps there.

    Points further apart than `NEIGHBOUR_RATIO` may have the extremes between them.
    """
    low_hz, high_hz = SPREAD_BAND_HZ
    is_inside = (frequency_hz > low_hz) & (frequency_hz < high_hz)
    inside_hz = np.array([low_hz, *frequency_hz[is_inside], high_hz])
    ends_readable = all(is_readable(frequency_hz, end_hz) for end_hz in SPREAD_BAND_HZ)
    if not ends_readable or (inside_hz[1:] > NEIGHBOUR_RATIO * inside_hz[:-1]).any():
        return np.empty(0)
    ends = [value_at(frequency_hz, values, end_hz) for end_hz in SPREAD_BAND_HZ]
    return np.array([*values[is_inside], *ends])


def curve(rows: Columns, column: str, octaves: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return frequencies, smoothed values and row numbers of the points that have a value."""
    there = np.flatnonzero(~np.isnan(rows[column]))
    frequency_hz = rows["frequency_hz"][there]
    return frequency_hz, smoothed(frequency_hz, rows[column][there], octaves), there


def neighbours(frequency_hz: np.ndarray, wanted_hz: float) -> np.ndarray:
    """Return the two points between which a curve is read (one at an end or on a point)."""
    after = int(np.searchsorted(frequency_hz, wanted_hz, side="left"))
    last = len(frequency_hz) - 1
    if after <= last and frequency_hz[after] == wanted_hz:
        return np.array([after])
    return np.unique(np.clip([after - 1, after], 0, last))
