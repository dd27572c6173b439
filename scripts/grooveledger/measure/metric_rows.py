"""Rows of the metrics table while they are being made, and the curves they are read from."""

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from grooveledger.plan import Cartridge, Chain, Side

#: A table's columns as numpy arrays, NaN or None for null.
Columns = Mapping[str, np.ndarray]
#: Standard deviation of an amplitude relative to the rms of the complex noise in it.
IN_PHASE = 1.0 / np.sqrt(2.0)


class Figure(NamedTuple):
    """One scalar of one track and channel; a bound where `limited`, NaN where there is none.

    Attributes
    ----------
    noise : float
        Standard uncertainty from noise alone, in the metric's unit; NaN where it is unknown.
    parts : mapping of str to float
        The other components of its budget (`schemas.capture_metrics.COMPONENTS`), each a standard
        uncertainty in the metric's unit.
    """

    metric: str
    channel: str
    track: int
    value: float
    noise: float = float("nan")
    limited: bool = False
    order_max: float = float("nan")
    parts: Mapping[str, float] = MappingProxyType({})


class Measured(NamedTuple):
    """What the scalars of a capture are read from.

    Attributes
    ----------
    tables : mapping
        Columns of each measure's table of the capture, by the table's name; tables that the capture
        has not got are left out.
    side, cartridge, chain
        What was played, and with what.
    smoothing_octaves : float
        Width over which curves are averaged before they are read.
    """

    tables: Mapping[str, Columns]
    side: Side
    cartridge: Cartridge
    chain: Chain
    smoothing_octaves: float = 0.0


def groups(
    measures: Mapping[str, Columns], table: str, by: str = "channel"
) -> Iterator[tuple[int, str, dict[str, np.ndarray]]]:
    """Yield track, channel and columns of each of a table's curves, by rising frequency if any."""
    columns = measures.get(table)
    if columns is None:
        return
    tracks = columns["track"]
    for track in np.unique(tracks):
        of_track = {name: values[tracks == track] for name, values in columns.items()}
        for channel in sorted(set(of_track[by])):
            rows = {n: values[of_track[by] == channel] for n, values in of_track.items()}
            if "frequency_hz" in rows:
                order = np.argsort(rows["frequency_hz"], kind="stable")
                rows = {name: values[order] for name, values in rows.items()}
            yield int(track), channel, rows
