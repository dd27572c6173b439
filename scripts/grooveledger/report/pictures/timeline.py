"""Where the planned tracks were found in a capture."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator

from grooveledger.report.pictures.rows import Columns, count, where
from grooveledger.report.pictures.style import COLOURS, Picture, house_style, panel

#: Levels shown from here up to full scale.
FLOOR_DBFS = -80.0
#: A level that has no value (a groove that is digitally silent) is drawn this high, to be seen.
_SLIVER_DB = 1.0


@house_style
def timeline(tracks: Columns, duration_s: float) -> Picture:
    """Tracks along the time of the capture: as high as their level, numbered as planned."""
    figure, axes = panel(2.7)
    planned = where(tracks, match="found")
    extra = where(tracks, match="unexpected")
    missing = where(tracks, match="missing")
    for rows, dash in ((planned, "-"), (extra, ":")):
        for channel, column, part in (
            ("left", "level_left_dbfs", 0.0),
            ("right", "level_right_dbfs", 0.5),
        ):
            height = np.maximum(np.nan_to_num(rows[column], nan=FLOOR_DBFS) - FLOOR_DBFS, 0)
            width = (rows["stop_s"] - rows["start_s"]) / 2
            axes.bar(
                rows["start_s"] + part * 2 * width,
                np.maximum(height, _SLIVER_DB),
                width,
                bottom=FLOOR_DBFS,
                align="edge",
                facecolor=COLOURS["left"] if channel == "left" and dash == "-" else "none",
                edgecolor=COLOURS[channel],
                linestyle=dash,
                linewidth=0.8,
                hatch=None if channel == "left" else "////",
            )
    _name(axes, planned, [f"{number:.0f}" for number in planned["track"]])
    _name(axes, extra, ["?"] * count(extra))
    axes.set_ylim(FLOOR_DBFS, 8)
    axes.yaxis.set_major_locator(FixedLocator(np.arange(FLOOR_DBFS, 1, 20).tolist()))
    axes.set_ylabel("Level (dB re full scale)")
    axes.set_xlim(0, max(duration_s, 1.0))
    axes.set_xlabel("Time in the capture (s)")
    lost = ", ".join(f"{number:.0f}" for number in missing["track"])
    return Picture(
        "timeline",
        "What was found where",
        f"{count(planned)} planned tracks found along {duration_s:.0f} s of capture"
        + (f"; missing: track {lost}" if lost else "; none missing")
        + (f"; {count(extra)} stretches that the plan does not have." if count(extra) else "."),
        figure,
        "Each track in two halves, as high as its level: left channel plain, right hatched. "
        "Numbers are the plan's; a question mark is a stretch that the plan does not have."
        + (f" Missing: {lost}." if lost else ""),
    )


def _name(axes: Axes, rows: Columns, names: list[str]) -> None:
    for middle_s, name in zip((rows["start_s"] + rows["stop_s"]) / 2, names, strict=True):
        axes.text(
            middle_s,
            3.0,
            name,
            horizontalalignment="center",
            fontsize=8,
            color=COLOURS["ink"],
        )
