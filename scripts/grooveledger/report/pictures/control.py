"""A figure's newest captures compared with what the captures before the newest predict."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from grooveledger.report.pictures.axes import key, line, slug
from grooveledger.report.pictures.style import COLOURS, MARKS, Picture, house_style, panel
from grooveledger.vocabulary import words


@house_style
def control(title: str, rows: Sequence[Mapping[str, Any]]) -> Picture:
    """Draw the control chart of one metric and channel, its limits included.

    Parameters
    ----------
    title : str
        What people call the metric.
    rows : sequence of mapping
        Rows of the control table of one stylus, metric and channel, in order of hours.
    """
    figure, axes = panel(2.7, key_lines=2)
    newest = rows[-1]
    channel, unit = newest["channel"], words.unit(newest["unit"])
    mark = MARKS[channel]
    hours = np.array([row["stylus_hours"] for row in rows])
    value, centre, low, high = (
        np.array([row[name] for row in rows]) for name in ("value", "centre", "low", "high")
    )
    band = axes.fill_between(hours, low, high, color=mark.colour, alpha=0.1, linewidth=0)
    band.set_gid("part.predicted")
    line(axes, hours, centre, mark._replace(dash=":", width=1.0), "predicted", marks=0)
    for limit, name in ((low, "control limits"), (high, "")):
        (edge,) = axes.plot(
            hours, limit, color=COLOURS["alarm"], linewidth=0.9, linestyle=(0, (5, 2)), label=name
        )
        edge.set_gid(f"curve.{slug('control limits')}")
    measured = mark._replace(dash="none")
    line(axes, hours, value, measured, channel, marks=len(hours))
    axes.plot(
        hours[-1:],
        value[-1:],
        linestyle="none",
        marker="o",
        markersize=13,
        markerfacecolor="none",
        markeredgecolor=COLOURS["alarm"],
        label="newest",
    )
    axes.set_xlabel("Hours on the stylus (h)")
    axes.set_ylabel(f"Value ({unit})")
    key(axes, columns=2)
    found, least, most = (words.figure(row[-1], newest["unit"]) for row in (value, low, high))
    return Picture(
        f"control-{newest['metric'].replace('_', '-')}-{channel}",
        f"{title}, {channel}",
        f"{title}, {channel}, of the newest {len(rows)} captures against hours. Newest: "
        f"{found} {unit}, predicted between {least} and {most} {unit}.",
        figure,
        f"Newest capture: {newest['reason']}. The limits are those of one further capture."
        if newest["reason"]
        else "The limits are those of one further capture.",
    )
