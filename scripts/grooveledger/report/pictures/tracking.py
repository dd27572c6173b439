"""Distortion against groove amplitude, and where tracking ends."""

import numpy as np

from grooveledger.report.pictures.axes import joined, key, line, percent_axis
from grooveledger.report.pictures.rows import Columns, groups, sorted_by
from grooveledger.report.pictures.style import MARKS, Picture, house_style, panel


@house_style
def tracking_ability(rows: Columns) -> Picture:
    """Draw the distortion of each amplitude step; steps that were not tracked are crossed out."""
    figure, axes = panel(2.7)
    spoken = []
    for (channel,), unsorted in groups(rows, "channel"):
        channel, part = str(channel), sorted_by(unsorted, "amplitude_um")
        mark = MARKS[channel]
        line(axes, part["amplitude_um"], part["thd_pct"], mark, channel, marks=len(part["channel"]))
        lost = part["mistracking"].astype(bool)
        axes.plot(
            part["amplitude_um"][lost],
            part["thd_pct"][lost],
            linestyle="none",
            marker="x",
            markersize=9,
            color=mark.colour,
        )
        kept = part["amplitude_um"][~lost]
        spoken.append(
            f"{channel.capitalize()}: tracked up to {np.nanmax(kept):.0f} \N{MICRO SIGN}m."
            if len(kept)
            else f"{channel.capitalize()}: no step tracked."
        )
    axes.set_xlim(0, max(130.0, float(np.nanmax(rows["amplitude_um"])) * 1.05))
    axes.set_xlabel("Groove amplitude, peak (\N{MICRO SIGN}m)")
    percent_axis(axes, "Distortion (%)", [rows["thd_pct"]])
    key(axes)
    return Picture(
        "tracking-ability",
        "Tracking ability",
        joined(["Distortion in percent against groove amplitude in micrometres.", *spoken]),
        figure,
        "A cross marks a step that was not tracked.",
    )
