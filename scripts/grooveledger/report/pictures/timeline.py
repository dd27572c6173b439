"""Where the planned tracks lie in a capture: a lane a kind of track, and the levels below."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

from grooveledger.report.pictures.axes import key, name_lane, slug
from grooveledger.report.pictures.rows import Columns, count, where
from grooveledger.report.pictures.style import COLOURS, MARKS, Picture, house_style, panels
from grooveledger.schemas.states import TrackMatch

#: Levels shown from here up to full scale.
FLOOR_DBFS = -80.0
#: Lane of stretches that the plan does not have.
UNPLANNED = "not in the plan"
#: Height of a bar as a part of its lane.
BAR = 0.62
#: Height of a lane, and of the rest of the picture, in inches.
_LANE_IN, _REST_IN = 0.24, 2.7
#: Margin beside the lanes for their names, in inches.
_LANES_IN = 1.5
#: Bars narrower than this part of the axis have their number above them.
NARROW = 0.03


@house_style
def timeline(tracks: Columns, duration_s: float) -> Picture:
    """Draw the tracks along the time of the capture, in lanes by kind, with their levels."""
    planned = where(tracks, match=TrackMatch.FOUND)
    extra = where(tracks, match=TrackMatch.UNEXPECTED)
    missing = where(tracks, match=TrackMatch.MISSING)
    kinds = list(dict.fromkeys(str(kind) for kind in planned["kind"]))
    lanes = [*kinds, *([UNPLANNED] if count(extra) else [])] or [UNPLANNED]
    end_s = max(duration_s, 1.0)
    figure, (upper, lower) = panels(
        2, _REST_IN + 2 * _LANE_IN * len(lanes), key_lines=0, left_in=_LANES_IN
    )
    for rows, unplanned in ((planned, False), (extra, True)):
        for place in range(count(rows)):
            kind = UNPLANNED if unplanned else str(rows["kind"][place])
            number = "?" if unplanned else f"{rows['track'][place]:.0f}"
            times = float(rows["start_s"][place]), float(rows["stop_s"][place])
            _bar(upper, lanes.index(kind), *times, number, unplanned, end_s)
    upper.set_ylim(len(lanes) - 0.4, -0.75)
    upper.yaxis.set_major_locator(NullLocator())
    for place, lane in enumerate(lanes):
        name_lane(upper, place, lane.replace("_", " "))
    _levels(lower, tracks)
    for axes in (upper, lower):
        axes.set_xlim(0, end_s)
    upper.xaxis.set_major_formatter(NullFormatter())
    lower.set_xlabel("Time in the capture (s)")
    lost = ", ".join(f"{number:.0f}" for number in missing["track"])
    return Picture(
        "timeline",
        "Tracks along the capture",
        f"{count(planned)} planned tracks located along {duration_s:.0f} s of capture"
        + (f"; missing: track {lost}" if lost else "; none missing")
        + (f"; {count(extra)} stretches that the plan does not have." if count(extra) else "."),
        figure,
        "Above: a lane a kind of track, numbered as planned; a question mark is a stretch that the "
        "plan does not have. Below: level of each channel."
        + (f" Missing: {lost}." if lost else ""),
    )


def _bar(
    axes: Axes, lane: int, start_s: float, stop_s: float, number: str, hollow: bool, end_s: float
) -> None:
    axes.barh(
        lane,
        stop_s - start_s,
        height=BAR,
        left=start_s,
        facecolor="none" if hollow else COLOURS["shade"],
        edgecolor=COLOURS["alarm"] if hollow else COLOURS["ink"],
        linestyle=":" if hollow else "-",
        linewidth=0.8,
    )
    narrow = stop_s - start_s < NARROW * end_s
    axes.text(
        (start_s + stop_s) / 2,
        lane - (BAR / 2 + 0.02 if narrow else 0.0),
        number,
        horizontalalignment="center",
        verticalalignment="bottom" if narrow else "center",
        color=COLOURS["ink"],
    )


def _levels(axes: Axes, tracks: Columns) -> None:
    """Draw the level of each channel over each track that was located."""
    for channel in ("left", "right"):
        mark = MARKS[channel]
        time_s: list[float] = []
        level_db: list[float] = []
        for start_s, stop_s, level in zip(
            tracks["start_s"], tracks["stop_s"], tracks[f"level_{channel}_dbfs"], strict=True
        ):
            shown = max(float(level), FLOOR_DBFS) if np.isfinite(level) else FLOOR_DBFS
            time_s += [float(start_s), float(stop_s), float(stop_s)]
            level_db += [shown, shown, np.nan]
        (drawn,) = axes.plot(
            time_s, level_db, color=mark.colour, linewidth=mark.width + 0.6, linestyle=mark.dash,
            label=channel,
        )  # fmt: skip
        drawn.set_gid(f"curve.{slug(channel)}")
    axes.set_ylim(FLOOR_DBFS, 3)
    axes.yaxis.set_major_locator(FixedLocator(np.arange(FLOOR_DBFS, 1, 20).tolist()))
    axes.set_ylabel("Level (dB FS)")
    key(axes)
