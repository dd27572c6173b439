"""Orders of one channel of a track laid side by side.

The `orders` observation has a row for each order at each moment; a measure wants, for each moment,
the orders as the columns of an array.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

#: Columns that all lines of a moment share, and those of each line.
MOMENT = ("step", "time_s", "nominal_hz", "played_hz")
LINE = ("amplitude_fs", "floor_fs", "phase_deg")


class Readings(NamedTuple):
    """Lines of one channel of one track.

    Attributes
    ----------
    step, time_s, nominal_hz, played_hz : ndarray, shape (n,)
        The moments, in order of time; `step` is NaN where the track has no steps.
    amplitude_fs, floor_fs, phase_deg : ndarray, shape (n, lines)
        Readings as in the observation; NaN where a line was not observed.
    limited : ndarray of bool, shape (n, lines)
        As in the observation; true where a line was not observed.
    """

    step: np.ndarray
    time_s: np.ndarray
    nominal_hz: np.ndarray
    played_hz: np.ndarray
    amplitude_fs: np.ndarray
    floor_fs: np.ndarray
    phase_deg: np.ndarray
    limited: np.ndarray


def readings(
    orders: Mapping[str, np.ndarray],
    track: int,
    channel: str,
    lines: Sequence[tuple[int, int]],
) -> Readings:
    """Lay the lines of one channel of a track side by side.

    Parameters
    ----------
    orders : mapping
        Columns of the `orders` observation, channels as named by the chain.
    track : int
        The track's number.
    channel : {'left', 'right'}
        The channel.
    lines : sequence of (order, low_order)
        The lines wanted, one a column of the result.
    """
    rows = np.flatnonzero(orders["track"] == track)
    # Texts compare slowly: those of this track alone.
    rows = rows[orders["channel"][rows] == channel]
    time_s, moment = np.unique(orders["time_s"][rows], return_inverse=True)
    n = len(time_s)
    columns = {name: np.full(n, np.nan) for name in MOMENT}
    columns |= {name: np.full((n, len(lines)), np.nan) for name in LINE}
    columns["limited"] = np.ones((n, len(lines)), dtype=bool)
    for name in MOMENT:
        columns[name][moment] = orders[name][rows]
    for column, (order, low_order) in enumerate(lines):
        line = (orders["order"][rows] == order) & (orders["low_order"][rows] == low_order)
        for name in (*LINE, "limited"):
            columns[name][moment[line], column] = orders[name][rows[line]]
    return Readings(**columns)
