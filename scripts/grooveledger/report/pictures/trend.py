"""How a figure of a stylus moves with its hours: captures, fit, limit and forecast."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from grooveledger.report.pictures.rows import Columns, where
from grooveledger.report.pictures.style import (
    COLOURS,
    MARKS,
    Picture,
    house_style,
    key,
    panel,
    said,
)

#: Least height of the axis by unit, so that scatter does not look like a trend.
LEAST_SPAN = {"dB": 3.0, "%": 0.5, "deg": 10.0, "Hz": 2.0, "mV": 0.4, "um": 20.0}
#: A forecast is drawn this much beyond the newest capture's hours, as a part of them.
FORECAST_REACH = 0.5
#: Hours that a slope refers to.
SLOPE_HOURS = 100.0

Row = Mapping[str, Any]


@house_style
def trend(
    metric: str, title: str, points: Columns, fits: Sequence[Row], break_in_hours: float
) -> Picture:
    """Draw one metric of one stylus against its hours, all channels.

    Parameters
    ----------
    metric, title : str
        The metric's name, and what people call it.
    points : mapping of arrays
        Rows of the metrics table of this stylus and metric.
    fits : sequence of mapping
        Rows of the drift table of this stylus and metric.
    break_in_hours : float
        Captures before it are shown in the shade.
    """
    figure, axes = panel()
    unit = next((unit for unit in points["unit"].tolist() if unit), "")
    spoken = []
    end_h = float(np.nanmax(points["stylus_hours"]))
    reach_h = end_h * (1 + FORECAST_REACH)
    for channel in sorted(set(points["channel"].tolist())):
        own = where(points, channel=channel)
        mark = MARKS[channel]
        bound = own["limited"].astype(bool)
        for chosen, face in ((~bound, mark.colour), (bound, "none")):
            axes.plot(
                own["stylus_hours"][chosen],
                own["value"][chosen],
                linestyle="none",
                marker=mark.marker,
                markersize=4.5,
                markerfacecolor=face,
                markeredgecolor=mark.colour,
                label=channel if face != "none" else None,
            )
        for fit in fits:
            if fit["channel"] == channel and fit["slope_per_100h"] is not None:
                seen = own["stylus_hours"][own["stylus_hours"] >= fit["hours_first"]]
                end_h = max(end_h, _fit(axes, fit, float(np.mean(seen)), reach_h))
                spoken.append(_spoken(fit, unit))
    _shade(axes, break_in_hours)
    axes.set_xlim(0, max(end_h, 1.0) * 1.03)
    axes.set_xlabel("Hours on the stylus (h)")
    axes.set_ylabel(f"{title} ({unit})")
    low, high = axes.get_ylim()
    spare = max(0.0, LEAST_SPAN.get(unit, 0.0) - (high - low)) / 2
    axes.set_ylim(low - spare, high + spare)
    key(axes)
    return Picture(
        f"trend-{metric.replace('_', '-')}",
        title,
        said(
            [
                f"{title} against the hours on the stylus, {len(points['value'])} figures.",
                *spoken,
            ]
        ),
        figure,
    )


def _fit(axes: Axes, fit: Row, centre_h: float, reach_h: float) -> float:
    """Draw a fit with its interval, step, limit and forecast; returns the hours it extends to."""
    mark = MARKS[fit["channel"]]
    first_h, last_h, at_h = fit["hours_first"], fit["hours_last"], fit["hours_at_limit"]
    end_h = last_h if at_h is None else min(max(last_h, at_h), reach_h)
    hours = np.linspace(first_h, max(end_h, last_h), 60)
    value = fitted(fit, hours)
    for slope in ("slope_low", "slope_high"):
        # The interval of the slope opens about the middle of the captures.
        turned = (fit[slope] - fit["slope_per_100h"]) * (hours - centre_h) / SLOPE_HOURS
        axes.fill_between(hours, value, value + turned, color=mark.colour, alpha=0.13, linewidth=0)
    known = hours <= last_h
    axes.plot(hours[known], value[known], color=mark.colour, linestyle=mark.dash, linewidth=1.3)
    axes.plot(hours[~known], value[~known], color=mark.colour, linestyle=":", linewidth=1.3)
    if fit["change_at_hours"] is not None:
        axes.axvline(fit["change_at_hours"], color=mark.colour, linewidth=0.8, linestyle="--")
    limit = fit["limit_value"]
    if limit is None or fit["verdict"] == "steady" or at_h is None:
        return float(end_h)
    axes.axhline(limit, color=COLOURS["alarm"], linewidth=0.8, linestyle=mark.dash)
    high_h = fit["hours_at_limit_high"]
    shown_h = [fit["hours_at_limit_low"] or 0.0, reach_h if high_h is None else high_h]
    axes.plot(np.clip(shown_h, 0, reach_h), [limit, limit], color=COLOURS["alarm"], linewidth=4)
    return float(max(end_h, min(shown_h[1], reach_h)))


def fitted(fit: Row, hours: np.ndarray) -> np.ndarray:
    """Values of a drift row's line at some hours, its step included."""
    since = (hours - fit["baseline_hours"]) / SLOPE_HOURS
    value = fit["baseline_value"] + fit["slope_per_100h"] * since
    if fit["change_at_hours"] is not None:
        value = value + fit["change_value"] * (hours > fit["change_at_hours"])
    return np.asarray(value)


def _shade(axes: Axes, break_in_hours: float) -> None:
    if break_in_hours <= 0:
        return
    axes.axvspan(0, break_in_hours, color=COLOURS["shade"], linewidth=0, zorder=0.3)
    axes.annotate(
        "break-in",
        (break_in_hours, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(-2, -2),
        textcoords="offset points",
        rotation=90,
        horizontalalignment="right",
        verticalalignment="top",
        fontsize=8,
        color=COLOURS["soft"],
    )


def _spoken(fit: Row, unit: str) -> str:
    words = (
        f"{fit['channel'].capitalize()}: {fit['slope_per_100h']:+.2f} {unit} per 100 h, between "
        f"{fit['slope_low']:+.2f} and {fit['slope_high']:+.2f}"
    )
    if fit["hours_at_limit"] is not None:
        words += f"; limit {fit['limit_value']:.1f} {unit} at {fit['hours_at_limit']:.0f} h"
    return words + "."
