"""The line of a sweep: when it has which part of its described range, from the readings alone.

The description says from where to where a sweep goes and by which law. How long it takes, how far
its law is bent and where its ends lie is read from the capture.
"""

import math
from typing import NamedTuple

import numpy as np

from grooveledger.plan import Track

#: Readings this far beyond the described ends still belong to the sweep: its ends may be 6 % off,
#: and the platter's speed some per cent.
BEYOND_OCTAVES = 0.15
#: Points that make a line, and the part of the readings that must lie within the sweep's range.
POINTS_MIN, IN_RANGE_MIN = 5, 0.4
#: A sweep may take longer or shorter than described by this factor before it is another track, and
#: the durations between are tried in steps of this size.
STRETCH_MAX, STRETCH_STEP = 1.3, 0.04
#: Readings belong to a line within this time of it, or within this part of its duration, for the
#: law may be bent, but never as far off as a needle that jumps by a turn puts them.
NEAR_S, NEAR_PART, NEAR_MAX_S = 0.3, 0.025, 0.8
#: A law is bent by no more than a quarter of this part of its duration in its middle.
BEND_MAX = 0.3
#: A bend or a duration other than described is believed from this many standard errors.
ERRORS = 4.0
#: Points from which a bend can be read.
BEND_POINTS_MIN = 20
#: Below this a reading spans less than a period or two and is biased by some per cent: the law is
#: taken to be straight there, and the described duration to be right within this part.
BLURRED_BELOW_HZ, BLURRED_PART = 15.0, 0.03


class Line(NamedTuple):
    """Time against the part u of a sweep's described range: start + duration u + bend u (1 - u).

    `duration_error_s` is the standard error of the duration.
    """

    start_s: float
    duration_s: float
    bend_s: float = 0.0
    duration_error_s: float = math.inf

    @property
    def stop_s(self) -> float:
        """When the described end is reached."""
        return self.start_s + self.duration_s

    def time_s(self, part: np.ndarray) -> np.ndarray:
        """Return the time at which a part of the range is reached."""
        return self.start_s + self.duration_s * part + self.bend_s * part * (1.0 - part)


def range_octaves(track: Track) -> float:
    """Return the octaves from the lower to the upper end of a sweep."""
    start_hz, stop_hz = ends_hz(track)
    return abs(math.log2(stop_hz / start_hz))


def part_of_range(track: Track, frequency_hz: np.ndarray) -> np.ndarray:
    """Return the part of a sweep's range at frequencies, 0 at its start.

    NaN too far beyond its ends.
    """
    start_hz, stop_hz = ends_hz(track)
    low_hz, high_hz = sorted((start_hz, stop_hz))
    margin = 2.0**BEYOND_OCTAVES
    inside = (frequency_hz > low_hz / margin) & (frequency_hz < high_hz * margin)
    bounded_hz = np.where(inside, frequency_hz, start_hz)
    if track.law == "log":
        part = np.log(bounded_hz / start_hz) / math.log(stop_hz / start_hz)
    else:
        part = (bounded_hz - start_hz) / (stop_hz - start_hz)
    return np.where(inside, part, np.nan)


def octaves_off(
    track: Track, line: Line, time_s: np.ndarray, frequency_hz: np.ndarray
) -> np.ndarray:
    """Return the distance of readings from a line, in octaves at the sweep's rate.

    NaN out of its range.
    """
    part = part_of_range(track, frequency_hz)
    late_s = time_s - line.time_s(part)
    if track.law == "log":
        rate = range_octaves(track) / line.duration_s
        return late_s * rate
    start_hz, stop_hz = ends_hz(track)
    rate_hz_s = abs(stop_hz - start_hz) / line.duration_s
    return late_s * rate_hz_s / (frequency_hz * math.log(2.0))


def fitted_line(
    track: Track, time_s: np.ndarray, frequency_hz: np.ndarray, speed: float
) -> Line | None:
    """Fit the line of a sweep to readings of frequency against time.

    Parameters
    ----------
    track : Track
        The sweep.
    time_s, frequency_hz : ndarray, shape (n,)
        Readings; some may be of something else.
    speed : float
        Platter's speed relative to the described one.

    Returns
    -------
    Line or None
        None where too few readings lie within the sweep's range.
    """
    part = part_of_range(track, frequency_hz / speed)
    usable = np.isfinite(part)
    if usable.sum() < POINTS_MIN or usable.mean() < IN_RANGE_MIN:
        return None
    part, time_s = part[usable], time_s[usable]
    middle_s = track.duration_s / speed if track.duration_s else _likely_duration_s(part, time_s)
    if middle_s is None:
        return None
    steps = round(math.log(STRETCH_MAX) / STRETCH_STEP)
    tried = middle_s * np.exp(STRETCH_STEP * np.arange(-steps, steps + 1))
    # Of durations that explain as many readings, the one nearest to the middle.
    order = np.argsort(np.abs(np.arange(-steps, steps + 1)), kind="stable")
    tried = tried[order]
    starts_s = np.sort(time_s - tried[:, None] * part, axis=1)
    densest = [_densest(row, 2.0 * NEAR_S) for row in starts_s]
    most = max(count for count, _ in densest)
    start_s, _, duration_s = max(
        (_middle(starts_s[rank, first : first + count]), -rank, float(tried[rank]))
        for rank, (count, first) in enumerate(densest)
        if count == most
    )
    line = Line(start_s, duration_s)
    planned_s = track.duration_s / speed if track.duration_s else None
    return _refined(line, part, time_s, planned_s, is_blurred(track))


def is_blurred(track: Track) -> bool:
    """Whether a track is a sweep so low that neither its end nor its line can be read sharply."""
    return track.kind == "sweep" and track.lowest_hz < BLURRED_BELOW_HZ


def ends_hz(track: Track) -> tuple[float, float]:
    """Return the described start and stop of a sweep, Hz."""
    if track.start_hz is None or track.stop_hz is None:
        raise ValueError(f"sweep track {track.track} has no start_hz or stop_hz")
    return track.start_hz, track.stop_hz


def _likely_duration_s(part: np.ndarray, time_s: np.ndarray) -> float | None:
    """Return the duration of a sweep whose description has none.

    The median of what pairs of readings say.
    """
    apart = max(len(part) // 3, 1)
    rise = part[apart:] - part[:-apart]
    rising = rise > 0.0
    if not rising.any():
        return None
    return float(np.median((time_s[apart:] - time_s[:-apart])[rising] / rise[rising]))


def _densest(ordered: np.ndarray, width: float) -> tuple[int, int]:
    """Return how many rising values the best interval of a width holds, and the first of them."""
    counts = np.searchsorted(ordered, ordered + width, side="right") - np.arange(len(ordered))
    first = int(counts.argmax())
    return int(counts[first]), first


def _middle(ordered: np.ndarray) -> float:
    """Return the median of rising values."""
    count = len(ordered)
    return 0.5 * float(ordered[(count - 1) // 2] + ordered[count // 2])


def _refined(
    line: Line, part: np.ndarray, time_s: np.ndarray, planned_s: float | None, blurred: bool
) -> Line:
    """Fit duration and bend to the readings near a first line.

    The described duration is kept, and the law straight, unless the readings say otherwise.
    """
    fitted_to = np.zeros(len(part), dtype=bool)
    for _ in range(3):
        late_s = time_s - line.time_s(part)
        near = np.abs(late_s) < max(NEAR_S, min(NEAR_PART * line.duration_s, NEAR_MAX_S))
        if near.sum() < POINTS_MIN or np.ptp(part[near]) == 0.0 or np.array_equal(near, fitted_to):
            return line
        fitted_to = near
        fitted, errors = _least_squares(
            part[near], time_s[near], bent=not blurred and near.sum() >= BEND_POINTS_MIN
        )
        bend_s = fitted[2] if len(fitted) > 2 else 0.0
        if len(fitted) > 2 and not ERRORS * errors[2] < abs(bend_s) < BEND_MAX * fitted[1]:
            fitted, errors = _least_squares(part[near], time_s[near], bent=False)
            bend_s = 0.0
        start_s, duration_s = float(fitted[0]), float(fitted[1])
        if duration_s <= 0.0:
            return line
        slack_s = ERRORS * errors[1] + BLURRED_PART * duration_s * blurred
        if planned_s is not None and abs(duration_s - planned_s) < slack_s:
            start_s += float(np.mean(part[near])) * (duration_s - planned_s)
            duration_s = planned_s
        line = Line(start_s, duration_s, float(bend_s), float(errors[1]))
    return line


def _least_squares(
    part: np.ndarray, time_s: np.ndarray, bent: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Return the coefficients of a line, and their standard errors."""
    columns = [np.ones_like(part), part] + ([part * (1.0 - part)] if bent else [])
    matrix = np.stack(columns, axis=1)
    normal = np.linalg.pinv(matrix.T @ matrix)
    fitted = normal @ (matrix.T @ time_s)
    residual_s = time_s - matrix @ fitted
    freedom = max(len(part) - len(columns), 1)
    variance = float(residual_s @ residual_s) / freedom
    return fitted, np.sqrt(variance * np.diag(normal))
