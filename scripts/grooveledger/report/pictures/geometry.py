"""The second harmonic that was measured, beside the one that geometry makes."""

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


@house_style
def geometry(rows: Columns, hz: Extent | None = None) -> Picture:
    """Draw the second harmonic of both channels, with that of groove, tip and arm beside it."""
    figure, axes = panel(key_lines=2)
    lines = lines_of(rows)
    bounded = []
    for label, channel, part in lines:
        mark = MARKS[channel]
        bounded.append(curve(axes, part, "measured_h2_pct", mark, label))
        x, y = decimated(part["frequency_hz"], part["geometry_h2_pct"])
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
    percent_axis(axes, "Second harmonic (%)", [rows["measured_h2_pct"], rows["geometry_h2_pct"]])
    key(axes, 2)
    return Picture(
        "geometry",
        "Geometry's share of the second harmonic",
        joined(
            [
                "Second harmonic in percent of the fundamental, as measured and by geometry, "
                "against frequency.",
                *(at_octaves(label, part, "measured_h2_pct", "%", 2) for label, _, part in lines),
                *(
                    at_octaves(f"{label}, geometry", part, "geometry_h2_pct", "%", 2)
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
