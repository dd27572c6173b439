"""Up to which lateral step each channel tracks, side by side: what the bias shows in."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import NullLocator

from grooveledger.report.pictures.axes import joined, name_lane, slug, spoken_hertz
from grooveledger.report.pictures.rows import Columns, count
from grooveledger.report.pictures.style import MARKS, Picture, house_style, panel

CHANNELS = ("left", "right")
#: Height of a bar as a part of its lane; of a lane, and of the rest of the picture, in inches.
BAR = 0.5
_LANE_IN, _REST_IN = 0.42, 1.0
#: Margin beside the lanes for their names, in inches.
_LANES_IN = 1.7
#: The axis reaches at least to this amplitude, and beyond the largest step by this factor.
LEAST_UM, BEYOND = 130.0, 1.1


@house_style
def bias(rows: Columns) -> Picture:
    """Draw how far both channels of every lateral track with steps are tracked.

    Parameters
    ----------
    rows : mapping
        Rows of `bias` of one capture.
    """
    figure, axes = panel(
        _REST_IN + _LANE_IN * len(CHANNELS) * count(rows), key_lines=0, left_in=_LANES_IN
    )
    ends = [rows[f"{channel}_{end}_um"] for channel in CHANNELS for end in ("tracked", "lost")]
    axes.set_xlim(0.0, max(LEAST_UM, BEYOND * float(np.nanmax(np.nan_to_num(ends)))))
    axes.set_ylim(len(CHANNELS) * count(rows) - 0.4, -0.6)
    axes.yaxis.set_major_locator(NullLocator())
    axes.set_xlabel("Groove amplitude, peak (\N{MICRO SIGN}m)")
    for place in range(count(rows)):
        track = f"track {rows['track'][place]:.0f}, " if count(rows) > 1 else ""
        for below, channel in enumerate(CHANNELS):
            lane = len(CHANNELS) * place + below
            name = f"{track}{spoken_hertz(float(rows['frequency_hz'][place]))}, {channel}"
            name_lane(axes, lane, name)
            tracked_um = float(rows[f"{channel}_tracked_um"][place])
            _lane(axes, lane, channel, tracked_um, float(rows[f"{channel}_lost_um"][place]))
    return Picture(
        "bias",
        "Bias: which channel stops tracking first",
        joined(
            [
                "Groove amplitude in micrometres up to which each channel tracks.",
                *(_spoken(rows, place) for place in range(count(rows))),
            ]
        ),
        figure,
        joined(
            [
                "Full: steps that are tracked; open: up to the first that is not. An arrow: no "
                "step was lost.",
                *(_concluded(rows, place) for place in range(count(rows))),
            ]
        ),
    )


def _lane(axes: Axes, lane: int, channel: str, tracked_um: float, lost_um: float) -> None:
    """Draw one channel: what is tracked, and the step within which it is lost."""
    colour, kept_um = MARKS[channel].colour, float(np.nan_to_num(tracked_um))
    drawn = [*axes.barh(lane, kept_um, height=BAR, color=colour, linewidth=0)]
    if np.isfinite(lost_um):
        drawn += axes.barh(
            lane, lost_um - kept_um, BAR, kept_um, facecolor="none", edgecolor=colour, linewidth=0.9
        )
    else:
        axes.plot(kept_um, lane, marker=">", color=colour, markersize=11, linestyle="none")
    for bar in drawn:
        bar.set_gid(f"part.{slug(channel)}")


def _spoken(rows: Columns, place: int) -> str:
    said = []
    for channel in CHANNELS:
        tracked_um = float(rows[f"{channel}_tracked_um"][place])
        lost_um = float(rows[f"{channel}_lost_um"][place])
        words = f"{channel} to {tracked_um:.0f}" if tracked_um > 0.0 else f"{channel}: none tracked"
        said.append(words + (f", lost at {lost_um:.0f}" if np.isfinite(lost_um) else ""))
    return f"Track {rows['track'][place]:.0f}: {'; '.join(said)}."


def _concluded(rows: Columns, place: int) -> str:
    """Say what one track asks for, and where it asks for nothing."""
    first, change = rows["first_lost"][place], rows["change"][place]
    track = f"Track {rows['track'][place]:.0f}: "
    if change:
        return (
            f"{track}the {first} channel is lost first, which asks for {change} bias (common "
            "practice), in small steps, once a second playing shows the same."
        )
    reasons = {
        "together": "both channels are lost at one step",
        "neither": "no step was lost",
        None: "which channel is lost first is not clear",
    }
    return f"{track}{reasons.get(first, reasons[None])}; nothing is to be concluded of the bias."
