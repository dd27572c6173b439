"""Modulation of a high tone by a low one, each kind in a plane of phase and quadrature."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Ellipse
from matplotlib.ticker import FixedLocator

from grooveledger.report.pictures.axes import joined, key, slug, spoken_hertz
from grooveledger.report.pictures.rows import Columns, where
from grooveledger.report.pictures.style import COLOURS, MARKS, Picture, house_style, planes

#: Kinds of modulation, a plane each: the columns' prefix and the axes' name.
KINDS = {"am": "Amplitude", "fm": "Frequency"}
#: Half the width of a plane, %: the smallest that holds what is drawn.
HALVES_PCT = (0.2, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0, 100.0)
#: What is drawn reaches to this share of it.
FILLED = 0.95


@house_style
def modulation(rows: Columns, track: int) -> Picture:
    """Draw the modulation of one two-tone track.

    Parameters
    ----------
    rows : mapping
        Rows of `modulation` of one track, at least one of them not limited.
    track : int
        Its number.
    """
    rows = where(rows, limited=False)
    figure, every = planes(2, 3.5)
    for axes, (kind, name) in zip(every, KINDS.items(), strict=True):
        _plane(axes, rows, kind)
        axes.set_xlabel(f"{name}, in phase (%)")
        axes.set_ylabel("In quadrature (%)")
    key(every[0])
    low, high = (spoken_hertz(float(rows[name][0])) for name in ("low_hz", "high_hz"))
    return Picture(
        f"modulation-{track}",
        f"Modulation of {high} by {low}, track {track}",
        joined(
            [
                f"Amplitude and frequency modulation in percent of the {high} tone by that of "
                f"{low}, in phase with the low output and a quarter period ahead of it.",
                *_spoken(rows),
            ]
        ),
        figure,
        "Left: depth of amplitude modulation, right: peak frequency deviation. A filled mark is "
        "the modulation at the low tone's frequency, an open one that at twice it; the circle is "
        "one standard uncertainty of noise. A mark in the middle is no modulation.",
    )


def _plane(axes: Axes, rows: Columns, kind: str) -> None:
    """Draw one kind of modulation: an arm from the middle to each mark, about it the noise."""
    x, y, noise = (rows[f"{kind}_{part}_pct"] for part in ("in_phase", "quadrature", "noise"))
    reach = float(np.max(np.abs([x, y]) + noise))
    half = next((half for half in HALVES_PCT if reach <= FILLED * half), HALVES_PCT[-1])
    axes.set_xlim(-half, half)
    axes.set_ylim(-half, half)
    ticks = FixedLocator([-half, -half / 2, 0.0, half / 2, half])
    axes.xaxis.set_major_locator(ticks)
    axes.yaxis.set_major_locator(ticks)
    axes.axhline(0.0, color=COLOURS["soft"], linewidth=0.9)
    axes.axvline(0.0, color=COLOURS["soft"], linewidth=0.9)
    for place, channel in enumerate(rows["channel"]):
        mark, first = MARKS[str(channel)], rows["low_order"][place] == 1
        (arm,) = axes.plot(
            [0.0, x[place]],
            [0.0, y[place]],
            color=mark.colour,
            linestyle=mark.dash,
            linewidth=mark.width if first else 0.9,
            marker=mark.marker,
            markevery=[1],
            markersize=6,
            fillstyle="full" if first else "none",
            label=str(channel) if first else "_",
        )
        around = axes.add_patch(
            Ellipse(
                (x[place], y[place]),
                2.0 * noise[place],
                2.0 * noise[place],
                facecolor=mark.colour,
                alpha=0.2,
                linewidth=0,
            )
        )
        for drawn in (arm, around):
            drawn.set_gid(f"part.{slug(str(channel))}")


def _spoken(rows: Columns) -> list[str]:
    """Say the modulation at the low tone's frequency in figures, a sentence a channel."""
    rows = where(rows, low_order=1)
    return [
        f"{str(channel).capitalize()}: amplitude {rows['am_in_phase_pct'][i]:+.2f} and "
        f"{rows['am_quadrature_pct'][i]:+.2f} %, frequency {rows['fm_in_phase_pct'][i]:+.2f} and "
        f"{rows['fm_quadrature_pct'][i]:+.2f} %."
        for i, channel in enumerate(rows["channel"])
    ]
