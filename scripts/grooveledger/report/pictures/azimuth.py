"""What crosstalk says of the cartridge's angle, and the separation with the angle taken out."""

import numpy as np
from matplotlib.ticker import NullFormatter

from grooveledger.report.pictures.axes import (
    decimated,
    frequency_axis,
    joined,
    key,
    line,
    spoken_hertz,
    value_axis,
)
from grooveledger.report.pictures.frequency import Extent, extent
from grooveledger.report.pictures.rows import Columns, sorted_by
from grooveledger.report.pictures.style import MARKS, Picture, house_style, panels

#: Looks of the separation as played and with the angle taken out.
PLAYED, BALANCED = MARKS["left"], MARKS["right"]
#: Frequency whose angle the caption states, Hz.
SPOKEN_HZ = 1000.0


@house_style
def azimuth(rows: Columns, hz: Extent | None = None) -> Picture:
    """Draw the angle against frequency with its noise, and both separations below."""
    rows = sorted_by(rows, "frequency_hz")
    keep = ~rows["limited"].astype(bool)
    rows = {name: values[keep] for name, values in rows.items()}
    figure, (upper, lower) = panels(2, 4.2, key_lines=0)
    x, angle, noise = decimated(rows["frequency_hz"], rows["azimuth_deg"], rows["noise_deg"])
    mark = MARKS["both"]
    band = upper.fill_between(
        x, angle - noise, angle + noise, color=mark.colour, alpha=0.15, linewidth=0
    )
    band.set_gid("part.angle")
    line(upper, x, angle, mark._replace(marker=""), "", marks=0, key_name="angle")
    for column, look, name in (
        ("separation_db", PLAYED, "as played"),
        ("balanced_separation_db", BALANCED, "angle taken out"),
    ):
        x, separation = decimated(rows["frequency_hz"], rows[column])
        line(lower, x, separation, look, name)
    for axes in (upper, lower):
        frequency_axis(axes, *(hz or extent(rows["frequency_hz"])))
    upper.set_xlabel("")
    upper.xaxis.set_major_formatter(NullFormatter())
    value_axis(upper, "Angle (\N{DEGREE SIGN})", -2, 2, 1, [rows["azimuth_deg"]])
    value_axis(
        lower, "Separation (dB)", 0, 40, 10, [rows["separation_db"], rows["balanced_separation_db"]]
    )
    key(lower)
    return Picture(
        "azimuth",
        "Azimuth by crosstalk",
        joined(
            [
                "Angle of the cartridge in degrees, clockwise seen from its front, and separation "
                "in dB as played and with that angle taken out, against frequency.",
                _spoken(rows),
            ]
        ),
        figure,
        "Above: the angle that the crosstalk of both channels has in common, clockwise seen from "
        "the front, the band one standard uncertainty of noise; it should be the same at all "
        "frequencies. Below: separation as played, and what it would be with the angle set.",
    )


def _spoken(rows: Columns) -> str:
    if not len(rows["frequency_hz"]):
        return "No figure is above the noise."
    place = int(np.argmin(np.abs(np.log(rows["frequency_hz"] / SPOKEN_HZ))))
    return (
        f"At {spoken_hertz(float(rows['frequency_hz'][place]))}: "
        f"{rows['azimuth_deg'][place]:+.1f} degrees, {rows['separation_db'][place]:.1f} and "
        f"{rows['balanced_separation_db'][place]:.1f} dB."
    )
