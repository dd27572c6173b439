"""Distortion against groove amplitude, and where tracking ends."""

import numpy as np

from grooveledger.report.pictures.axes import joined, key, line, percent_axis, slug, spoken_hertz
from grooveledger.report.pictures.rows import Columns, groups, sorted_by
from grooveledger.report.pictures.style import MARKS, Picture, house_style, panel

#: Names of the key in a line where they are long.
KEY_COLUMNS = 2
#: Lines of a channel on several tracks differ in their marks.
MARKERS = ("", "^", "v", "D", "P", "X")


@house_style
def tracking_ability(rows: Columns) -> Picture:
    """Draw the distortion of each amplitude step; steps that were not tracked are crossed out."""
    tracks = list(dict.fromkeys(rows["track"].tolist()))
    figure, axes = panel(2.7, key_lines=-(-2 * len(tracks) // KEY_COLUMNS))
    spoken = []
    for (channel, track), unsorted in groups(rows, "channel", "track"):
        channel, part = str(channel), sorted_by(unsorted, "amplitude_um")
        mark = MARKS[channel]
        name = channel
        if len(tracks) > 1:
            marker = MARKERS[tracks.index(track) % len(MARKERS)]
            mark = mark._replace(marker=marker or mark.marker)
            name = f"{channel}, track {track:.0f}, {spoken_hertz(float(part['frequency_hz'][0]))}"
        line(axes, part["amplitude_um"], part["thd_pct"], mark, name, marks=len(part["channel"]))
        lost = part["mistracking"].astype(bool)
        (crosses,) = axes.plot(
            part["amplitude_um"][lost],
            part["thd_pct"][lost],
            linestyle="none",
            marker="x",
            markersize=9,
            color=mark.colour,
        )
        crosses.set_gid(f"part.{slug(name)}")
        kept = part["amplitude_um"][~lost]
        spoken.append(
            f"{name.capitalize()}: tracked up to {np.nanmax(kept):.0f} \N{MICRO SIGN}m."
            if len(kept)
            else f"{name.capitalize()}: no step tracked."
        )
    axes.set_xlim(0, max(130.0, float(np.nanmax(rows["amplitude_um"])) * 1.05))
    axes.set_xlabel("Groove amplitude, peak (\N{MICRO SIGN}m)")
    percent_axis(axes, "Distortion (%)", [rows["thd_pct"]])
    key(axes, KEY_COLUMNS)
    return Picture(
        "tracking-ability",
        "Tracking ability",
        joined(["Distortion in percent against groove amplitude in micrometres.", *spoken]),
        figure,
        joined(["A cross marks a step that was not tracked.", _force(rows)]),
    )


def _force(rows: Columns) -> str:
    """Say at what tracking force the steps were played, as far as it is described."""
    forces_mn = rows["tracking_force_mn"][np.isfinite(rows["tracking_force_mn"])]
    return f"Stated tracking force: {forces_mn[0]:g} mN." if len(forces_mn) else ""
