"""Scalar figures of a capture, read from its measures: what drifts, what a data sheet rates.

Each measure yields its own; see their declarations in `measure.quantities`.
"""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from grooveledger.measure.metric_rows import Columns, Figure, Measured
from grooveledger.measure.quantities import MEASURES, METRICS
from grooveledger.physics.uncertainty import combine
from grooveledger.plan import Cartridge, Chain, Side
from grooveledger.schemas.capture_metrics import COMPONENTS


def capture_metrics(
    measures: Mapping[str, Columns],
    side: Side,
    cartridge: Cartridge,
    chain: Chain,
    settings: Mapping[str, Any],
) -> dict[str, Any]:
    """Derive every scalar figure of a capture, with the components of its uncertainty.

    Parameters
    ----------
    measures : mapping
        Columns of each measure's table of the capture, by the table's name; tables that the capture
        has not got are left out.
    side, cartridge, chain
        What was played, and with what.
    settings : mapping
        `smoothing_octaves`: width over which curves are averaged before they are read.

    Returns
    -------
    dict
        The columns of `CAPTURE_METRICS` but for `capture`, sorted by metric, channel and
        track_position. One row for each track that gives a figure; where no track gives it though
        one might have, a single row without a value.
    """
    octaves = float(settings["smoothing_octaves"])
    measured = Measured(measures, side, cartridge, chain, octaves)
    figures = (figure for measure in MEASURES.values() for figure in measure.figures(measured))
    kept = _kept(figures, side)
    parts = [_components(figure) for figure in kept]
    names = ("metric", "channel", "track", "value", "limited", "order_max")
    columns: dict[str, Any] = {name: [getattr(figure, name) for figure in kept] for name in names}
    columns |= {f"u_{name}": [part.get(name, np.nan) for part in parts] for name in COMPONENTS}
    # Without any component nothing is known of the uncertainty: that is not 0.
    columns["uncertainty"] = [float(combine(*part.values())) if part else np.nan for part in parts]
    columns["unit"] = [METRICS[figure.metric].unit for figure in kept]
    columns["track_position"] = [side.position(figure.track) for figure in kept]
    return columns


def _components(figure: Figure) -> dict[str, float]:
    """Return the known components of a figure's uncertainty.

    None of a bound or of what has no value.
    """
    if figure.limited or figure.value != figure.value:
        return {}
    known = {"noise": figure.noise, **figure.parts}
    return {name: abs(u) for name, u in known.items() if u == u}


def _kept(figures: Iterable[Figure], side: Side) -> list[Figure]:
    """Return the figures sorted, one null at most of a metric and channel."""
    ordered = sorted(figures, key=lambda f: (f.metric, f.channel, side.position(f.track)))
    valued = {(f.metric, f.channel) for f in ordered if f.value == f.value}
    kept, empty = [], set()
    for figure in ordered:
        key = (figure.metric, figure.channel)
        if figure.value != figure.value:
            if key in valued or key in empty:
                continue
            empty.add(key)
        kept.append(figure)
    return kept
