"""A figure's newest captures against what those before the newest foretell."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from grooveledger.report.pictures.style import COLOURS, MARKS, Picture, house_style, key, panel


@house_style
def control(title: str, rows: Sequence[Mapping[str, Any]]) -> Picture:
    """Draw the control chart of one metric and channel.

    Parameters
    ----------
    title : str
        What people call the metric.
    rows : sequence of mapping
        Rows of the control table of one stylus, metric and channel, in order of hours.
    """
    figure, axes = panel(2.7)
    newest = rows[-1]
    channel, unit = newest["channel"], newest["unit"]
    mark = MARKS[channel]
    hours = np.array([row["stylus_hours"] for row in rows])
    value, centre, low, high = (
        np.array([row[name] for row in rows]) for name in ("value", "centre", "low", "high")
    )
    axes.fill_between(hours, low, high, color=mark.colour, alpha=0.13, linewidth=0)
    axes.plot(hours, centre, color=mark.colour, linewidth=0.9, linestyle=":", label="foretold")
    axes.plot(hours, value, color=mark.colour, linestyle="none", marker=mark.marker, label=channel)
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
    axes.set_ylabel(f"{title} ({unit})")
    key(axes)
    return Picture(
        f"control-{newest['metric'].replace('_', '-')}-{channel}",
        f"{title}, {channel}",
        f"{title}, {channel}, of the newest {len(rows)} captures against hours. Newest: "
        f"{value[-1]:.2f} {unit}, foretold between {low[-1]:.2f} and {high[-1]:.2f} {unit}.",
        figure,
        f"Newest capture: {newest['reason']}. The band is where a further capture should lie."
        if newest["reason"]
        else "The band is where a further capture should lie.",
    )
