"""Treble that the inner groove loses against the outer one."""

import numpy as np

from grooveledger.report.pictures.axes import (
    decimated,
    frequency_axis,
    joined,
    key,
    slug,
    value_axis,
)
from grooveledger.report.pictures.frequency import (
    WIDENED,
    Extent,
    at_octaves,
    curve,
    extent,
    lines_of,
)
from grooveledger.report.pictures.rows import Columns
from grooveledger.report.pictures.style import COLOURS, MARKS, Picture, house_style, panel


@house_style
def scanning(rows: Columns, hz: Extent | None = None) -> Picture:
    """Draw the loss of both channels against frequency, with its standard uncertainty.

    Parameters
    ----------
    rows : mapping
        Rows of `scanning` of one capture.
    hz : tuple of float, optional
        The frequency axis; by default the one that holds the curves.
    """
    figure, axes = panel()
    lines = lines_of(rows)
    for label, channel, part in lines:
        mark = MARKS[channel]
        combined_db = np.hypot(part["loss_noise_db"], part["loss_record_db"])
        x, y, spread = decimated(part["frequency_hz"], part["loss_db"], combined_db)
        band = axes.fill_between(
            x, y - spread, y + spread, color=mark.colour, alpha=0.12, linewidth=0
        )
        band.set_gid(f"part.{slug(channel)}")
        curve(axes, part, "loss_db", mark, label)
    axes.axhline(0.0, color=COLOURS["soft"], linewidth=0.9)
    frequency_axis(axes, *(hz or extent(rows["frequency_hz"])))
    wide = value_axis(axes, "Lost at the inner groove (dB)", -1, 4, 1, [rows["loss_db"]])
    key(axes)
    return Picture(
        "scanning",
        "Treble lost from the outer to the inner groove",
        joined(
            [
                "Level that the inner track has less than the outer one, against frequency.",
                *(at_octaves(label, part, "loss_db", "dB") for label, _, part in lines),
            ]
        ),
        figure,
        joined(
            [
                "A worn tip loses more than a new one, and more the shorter the waves; the band is "
                "one standard uncertainty of noise and of the cuts' levels.",
                WIDENED if wide else "",
            ]
        ),
    )
