"""Harmonics that were measured, beside those that geometry makes."""

import numpy as np

from grooveledger.report.pictures.axes import (
    decimated,
    frequency_axis,
    joined,
    key,
    line,
    name_curve,
    percent_axis,
)
from grooveledger.report.pictures.frequency import (
    BOUND,
    FEW_POINTS,
    Extent,
    at_octaves,
    curve,
    extent,
    lines_of,
)
from grooveledger.report.pictures.rows import Columns
from grooveledger.report.pictures.style import MARKS, Picture, house_style, panel

#: Names of the harmonics that the table has.
ORDERS = {2: "second", 3: "third"}


@house_style
def geometry(rows: Columns, order: int = 2, hz: Extent | None = None) -> Picture:
    """Draw a harmonic of both channels, with that of groove, tip and arm beside it."""
    word, measured, by_geometry = (
        ORDERS[order],
        f"measured_h{order}_pct",
        f"geometry_h{order}_pct",
    )
    figure, axes = panel(key_lines=2)
    lines = lines_of(rows)
    bounded = []
    for label, channel, part in lines:
        mark = MARKS[channel]
        part = {**part, "limited": np.isnan(part[f"noise_h{order}_pct"])}
        bounded.append(curve(axes, part, measured, mark, label))
        x, y = decimated(part["frequency_hz"], part[by_geometry])
        name, shown = f"{channel}, geometry", f"{label}, geometry" if label else ""
        light = mark._replace(width=0.9)
        if len(x) < FEW_POINTS:
            (drawn,) = axes.plot(
                x, y, mark.marker, fillstyle="none", color=mark.colour, label=shown
            )
            name_curve(drawn, name)
        else:
            line(axes, x, y, light, shown, marks=0, key_name=name)
    frequency_axis(axes, *(hz or extent(rows["frequency_hz"])))
    percent_axis(axes, f"{word.capitalize()} harmonic (%)", [rows[measured], rows[by_geometry]])
    key(axes, 2)
    return Picture(
        f"geometry-h{order}",
        f"Geometry's share of the {word} harmonic",
        joined(
            [
                f"{word.capitalize()} harmonic in percent of the fundamental, as measured and by "
                "geometry, "
                "against frequency.",
                *(at_octaves(label, part, measured, "%", 2) for label, _, part in lines),
                *(
                    at_octaves(f"{label}, geometry", part, by_geometry, "%", 2)
                    for label, _, part in lines
                    if label
                ),
            ]
        ),
        figure,
        joined(
            [
                "Light lines or open marks: what groove, tip and arm as described make by their "
                "geometry alone. What cartridge and cut add lies between difference and sum of "
                "both, for its phase is its own.",
                BOUND if any(bounded) else "",
            ]
        ),
    )
