"""Scalar figures of a capture, read from its measures: what drifts, what a data sheet rates.

Each measure yields its own; see their declarations in `measure.quantities`.
"""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from grooveledger.measure.metric_rows import Columns, Figure, Measured
from grooveledger.measure.quantities import MEASURES, METRICS
from grooveledger.plan import Cartridge, Side


def capture_metrics(
    measures: Mapping[str, Columns],
    side: Side,
    cartridge: Cartridge,
    settings: Mapping[str, Any],
) -> dict[str, Any]:
    """Derive every scalar figure of a capture.

    Parameters
    ----------
    measures : mapping
        Columns of each measure's table of the capture, by the table's name; tables that the capture
        has not got are left out.
    side, cartridge
        What was played and with what.
    settings : mapping
        `smoothing_octaves`: width over which curves are averaged before they are read.

    Returns
    -------
    dict
        Columns metric, channel, track, value, unit, uncertainty (standard), limited, order_max and
        track_position, sorted by metric, channel and track_position. One row for each track that
        gives a figure; where no track gives it though one might have, a single row without a value.
    """
    octaves = float(settings.get("smoothing_octaves", 0.0))
    measured = Measured(measures, side, cartridge, octaves)
    figures = (figure for measure in MEASURES.values() for figure in measure.figures(measured))
    kept = _kept(figures, side)
    columns: dict[str, Any] = {
        name: [getattr(figure, name) for figure in kept] for name in Figure._fields
    }
    columns["unit"] = [METRICS[figure.metric].unit for figure in kept]
    columns["track_position"] = [side.position(figure.track) for figure in kept]
    return columns


def _kept(figures: Iterable[Figure], side: Side) -> list[Figure]:
    """Figures sorted, bounds without uncertainty, one null at most of a metric and channel."""
    ordered = sorted(figures, key=lambda f: (f.metric, f.channel, side.position(f.track)))
    valued = {(f.metric, f.channel) for f in ordered if f.value == f.value}
    kept, told = [], set()
    for figure in ordered:
        key = (figure.metric, figure.channel)
        if figure.value != figure.value:
            if key in valued or key in told:
                continue
            told.add(key)
        kept.append(figure._replace(uncertainty=np.nan) if figure.limited else figure)
    return kept
