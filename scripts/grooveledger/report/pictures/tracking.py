"""Distortion against groove amplitude, and where tracking ends."""

import numpy as np

from grooveledger.report.pictures.rows import Columns, groups, sorted_by
from grooveledger.report.pictures.style import (
    MARKS,
    Picture,
    house_style,
    key,
    line,
    panel,
    percent_axis,
    said,
)


@house_style
def tracking_ability(rows: Columns) -> Picture:
    """Distortion of each amplitude step; steps that were not tracked are crossed out."""
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
            f"{channel.capitalize()}: tracked up to {np.nanmax(kept):.0f} um."
            if len(kept)
            else f"{channel.capitalize()}: no step tracked."
        )
    axes.set_xlim(0, max(130.0, float(np.nanmax(rows["amplitude_um"])) * 1.05))
    axes.set_xlabel("Groove amplitude, peak (\N{MICRO SIGN}m)")
    percent_axis(axes, "Distortion (%)")
    key(axes)
    return Picture(
        "tracking-ability",
        "Tracking ability",
        said(["Distortion in percent against groove amplitude in micrometres.", *spoken]),
        figure,
        "A cross marks a step that was not tracked.",
    )
