"""How a figure of a stylus moves with its hours: captures, fit, limit and forecast."""

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from itertools import cycle
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from grooveledger.report.pictures.axes import KEY_COLUMNS, joined, key, name_curve, name_level, slug
from grooveledger.report.pictures.rows import Columns, where
from grooveledger.report.pictures.style import (
    COLOURS,
    MARKS,
    Mark,
    Picture,
    house_style,
    panel,
)
from grooveledger.schemas.states import MOVING
from grooveledger.vocabulary import words

#: Least height of the axis by unit, so that scatter does not look like a trend.
LEAST_SPAN = {"dB": 3.0, "%": 0.5, "deg": 10.0, "Hz": 2.0, "mV": 0.4, "um": 20.0}
#: A forecast is drawn this much beyond the newest capture's hours, as a part of them.
FORECAST_REACH = 0.5
#: Hours that a slope refers to.
SLOPE_HOURS = 100.0
#: Two-sided 95 % of the normal distribution.
NORMAL_95 = 1.959964
#: Figures that come in the steps of the record: a value is known to the next step only.
QUANTISED = ("tracked_amplitude_um",)
#: A level in this part of the height or below is named above its line, a higher one below it.
LEVEL_NAMED_ABOVE = 0.85
#: Left margin in inches, and characters of a line: the axis has the figure's name, in two lines.
LEFT_IN, NAME_MOST = 1.02, 31
#: Points of a line and its band, which bends gently.
LINE_POINTS = 25
#: Share of the height left free above and below what has to be visible.
MARGIN = 0.06

#: How the marks of each record side and copy are filled, in turn, and what that is called.
FILLED = ("full", "left", "top", "right", "bottom")
FILL_WORDS = {
    "full": "filled",
    "left": "left half filled",
    "top": "upper half filled",
    "right": "right half filled",
    "bottom": "lower half filled",
}
#: Opacity of marks as measured beside those as fitted.
FAINT = 0.28
Row = Mapping[str, Any]
#: Record, side and copy; the copy is empty where none is named.
Side = tuple[str, str, str]


@house_style
def trend(
    metric: str,
    title: str,
    points: Columns,
    fits: Sequence[Row],
    break_in_hours: float,
    fitted_at: Mapping[tuple[str, str], float] | None = None,
    height_in: float = 3.1,
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
    fitted_at : mapping, optional
        What the fit, its covariates included, gives by (capture, channel). Solid marks then show
        each figure of the fit with the covariates' part removed, faint ones all as measured.
    height_in : float
        Of the picture.
    """
    channels = sorted(set(points["channel"].tolist()))
    named = len(channels) + (break_in_hours > 0)
    figure, axes = panel(height_in, -(-named // KEY_COLUMNS), left_in=LEFT_IN)
    unit = next((unit for unit in points["unit"].tolist() if unit), "")
    spoken, heights = [], [points["value"]]
    end_h = float(np.nanmax(points["stylus_hours"]))
    reach_h = end_h * (1 + FORECAST_REACH)
    corrected = False
    sides = sorted(set(sides_of(points)))
    for channel in channels:
        own = where(points, channel=channel)
        fit = next((f for f in fits if f["channel"] == channel and _fitted(f)), None)
        shown, moved = _without_covariates(own, fit, fitted_at or {})
        corrected |= bool(moved.any())
        heights.append(shown)
        _marks(axes, own, shown, moved, channel, sides)
        if fit is not None:
            seen = own["stylus_hours"][own["stylus_hours"] >= fit["hours_first"]]
            drawn_h, drawn = _fit(axes, fit, float(np.mean(seen)), reach_h)
            heights.append(drawn)
            end_h = max(end_h, drawn_h)
            spoken.append(_spoken(fit, unit))
    steps = metric in QUANTISED and _step(axes, points)
    axes.set_xlim(0, max(end_h, 1.0) * 1.03)
    axes.set_xlabel("Hours on the stylus (h)")
    label = f"{title} ({words.unit(unit)})" if unit else title
    axes.set_ylabel("\n".join(textwrap.wrap(label, NAME_MOST)))
    _heights(axes, heights, LEAST_SPAN.get(unit, 0.0))
    _name_limits(axes)
    if break_in_hours > 0:
        shade = axes.axvspan(
            0, break_in_hours, color=COLOURS["shade"], linewidth=0, zorder=0.3, label="break-in"
        )
        shade.set_gid(f"part.{slug('break-in')}")
    key(axes)
    notes = [
        "Solid marks: what record, side, chain and temperature add is taken off as fitted; faint "
        "marks: as measured."
        if corrected
        else "",
        _sides_said(sides),
        "Upright bars reach to the record's next step, which was not tracked." if steps else "",
    ]
    return Picture(
        f"trend-{metric.replace('_', '-')}",
        title,
        joined(
            [
                f"{title} against the hours on the stylus, {len(points['value'])} figures.",
                *spoken,
            ]
        ),
        figure,
        joined(notes),
    )


def _sides_said(sides: Sequence[Side]) -> str:
    """Say how the marks of each side and copy are filled; nothing where there is only one."""
    if len(sides) < 2:
        return ""
    said = [
        f"{FILL_WORDS[filled]}, {record} side {side}{f' (copy {copy})' if copy else ''}"
        for (record, side, copy), filled in zip(sides, cycle(FILLED), strict=False)
    ]
    return f"Marks: {'; '.join(said)}. A thin line ties captures of one day."


def _fitted(fit: Row) -> bool:
    return fit["slope_per_100h"] is not None and fit["baseline_value"] is not None


def _without_covariates(
    own: Columns, fit: Row | None, fitted_at: Mapping[tuple[str, str], float]
) -> tuple[np.ndarray, np.ndarray]:
    """Give each figure as line plus residual, and which are drawn as measured as well.

    Where the fit's values are known, a figure that it does not hold has no such place.
    """
    value = own["value"].astype(float)
    if fit is None:
        return value, np.zeros(len(value), dtype=bool)
    centre = np.array(
        [
            fitted_at.get((capture, channel), np.nan)
            for capture, channel in zip(own["capture"], own["channel"], strict=True)
        ]
    )
    corrected = fitted(fit, own["stylus_hours"]) + value - centre
    known = np.isfinite(corrected)
    if np.allclose(corrected[known], value[known], rtol=1e-6):
        return value, np.zeros(len(value), dtype=bool)
    return np.where(own["limited"].astype(bool), value, corrected), np.ones(len(value), dtype=bool)


def _marks(
    axes: Axes,
    own: Columns,
    shown: np.ndarray,
    moved: np.ndarray,
    channel: str,
    sides: Sequence[Side],
) -> None:
    """Draw the marks: solid as fitted, hollow for a bound, faint for the value as measured.

    Each side and copy fills its marks in its own way; captures of one day are tied.
    """
    mark, bound = MARKS[channel], own["limited"].astype(bool)
    hours, played = own["stylus_hours"], sides_of(own)
    label = channel
    # More sides than ways to fill a mark share one: the note names them in turn.
    for side, filled in zip(sides, cycle(FILLED), strict=False):
        solid = ~bound & np.array([one == side for one in played], dtype=bool)
        look = {**_look(mark, mark.colour), "fillstyle": filled}
        if not solid.any():
            continue
        (drawn,) = axes.plot(hours[solid], shown[solid], **look, label=label)
        name_curve(drawn, channel)
        label = ""
        if (raw := solid & moved).any():
            (faint,) = axes.plot(hours[raw], own["value"][raw], **look, alpha=FAINT)
            faint.set_gid(f"part.{slug(channel)}")
    if bound.any():
        (light,) = axes.plot(hours[bound], shown[bound], **_look(mark, "none"))
        light.set_gid(f"part.{slug(channel)}")
    for tie_hours, tie in _ties(own, shown):
        (tied,) = axes.plot(tie_hours, tie, color=mark.colour, linewidth=0.7, alpha=0.6)
        tied.set_gid(f"part.{slug(channel)}")


def sides_of(points: Columns) -> list[Side]:
    """Record, side and copy that each figure was played from."""
    copies = [copy or "" for copy in points["copy"].tolist()]
    played = zip(points["record"].tolist(), points["side"].tolist(), copies, strict=True)
    return list(played)


def _ties(own: Columns, shown: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Yield hours and heights of the captures of each day that has several."""
    days = np.array([(moment or "")[:10] for moment in own["captured_at"].tolist()])
    for day in sorted(set(days.tolist()) - {""}):
        same = (days == day) & np.isfinite(shown)
        if same.sum() > 1:
            order = np.argsort(shown[same], kind="stable")
            yield own["stylus_hours"][same][order], shown[same][order]


def _look(mark: Mark, face: str) -> dict[str, Any]:
    return {
        "linestyle": "none",
        "marker": mark.marker,
        "markersize": 4.5,
        "markerfacecolor": face,
        "markerfacecoloralt": COLOURS["paper"],
        "markeredgecolor": mark.colour,
    }


def _fit(axes: Axes, fit: Row, centre_h: float, reach_h: float) -> tuple[float, np.ndarray]:
    """Draw a fit with its pointwise 95 % band, a reported step, its limit and a forecast.

    Returns the hours that it extends to, and the heights that have to be visible.
    """
    mark, channel = MARKS[fit["channel"]], fit["channel"]
    first_h, last_h, at_h = fit["hours_first"], fit["hours_last"], fit["hours_at_limit"]
    reported = fit["verdict"] in MOVING
    forecast = reported and at_h is not None
    end_h = min(max(last_h, at_h), reach_h) if forecast else last_h
    hours = np.linspace(first_h, end_h, LINE_POINTS)
    if fit["change_at_hours"] is not None:
        # A step is upright: a point just on either side of it.
        hours = np.sort(np.append(hours, np.array([1.0, 1.0 + 1e-9]) * fit["change_at_hours"]))
    if first_h < last_h < end_h:
        hours = np.sort(np.append(hours, last_h))
    value = fitted(fit, hours)
    low, high = pointwise_band(fit, hours, centre_h)
    band = axes.fill_between(hours, low, high, color=mark.colour, alpha=0.13, linewidth=0)
    for chosen, dash in ((hours <= last_h, mark.dash), (hours >= last_h, ":")):
        if chosen.sum() > 1:
            (drawn,) = axes.plot(
                hours[chosen], value[chosen], color=mark.colour, linestyle=dash, linewidth=1.3
            )
            drawn.set_gid(f"part.{slug(channel)}")
    band.set_gid(f"part.{slug(channel)}")
    if fit["change_at_hours"] is not None and reported:
        axes.axvline(fit["change_at_hours"], color=mark.colour, linewidth=0.8, linestyle="--")
    limit = fit["limit_value"]
    if limit is None or not forecast:
        return float(end_h), value
    high_h = fit["hours_at_limit_high"]
    shown_h = [fit["hours_at_limit_low"] or 0.0, reach_h if high_h is None else high_h]
    if at_h <= reach_h:
        _limit(axes, limit)
        (interval,) = axes.plot(
            np.clip(shown_h, 0, reach_h), [limit, limit], color=COLOURS["alarm"], linewidth=4
        )
        interval.set_gid(f"part.{slug('due ' + channel)}")
        value = np.append(value, limit)
    return float(max(end_h, min(shown_h[1], reach_h))), value


def _limit(axes: Axes, limit: float) -> None:
    drawn = axes.axhline(limit, color=COLOURS["alarm"], linewidth=1.0)
    drawn.set_gid("part.limit")


def _name_limits(axes: Axes) -> None:
    """Name the limits once: those of both channels often lie too close for two names."""
    heights = [
        float(np.ravel(np.array(drawn.get_ydata()))[0])
        for drawn in axes.lines
        if drawn.get_gid() == "part.limit"
    ]
    if not heights:
        return
    low, high = axes.get_ylim()
    part = (max(heights) - low) / (high - low)
    name_level(
        axes,
        max(heights) if part < LEVEL_NAMED_ABOVE else min(heights),
        "limit" if len(heights) == 1 else "limits",
        above=part < LEVEL_NAMED_ABOVE,
    )


def fitted(fit: Row, hours: np.ndarray) -> np.ndarray:
    """Return the values of a drift row's line at some hours, a step included."""
    since = (hours - fit["baseline_hours"]) / SLOPE_HOURS
    value = fit["baseline_value"] + fit["slope_per_100h"] * since
    if fit["change_at_hours"] is not None and fit.get("change_value") is not None:
        value = value + fit["change_value"] * (hours > fit["change_at_hours"])
    return value


def pointwise_band(fit: Row, hours: np.ndarray, centre_h: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the 95 % band of a line at each of some hours.

    The variance of a straight line is that of its mean, narrowest at the middle of the data, and
    that of its slope times the distance from there (e.g. Draper & Smith, Applied Regression
    Analysis, section 1.4; from memory).
    """
    value = fitted(fit, hours)
    degrees = max(1, (fit["n"] or 3) - 2)
    mean = student_95(degrees) * (fit["residual_sd"] or 0.0) / np.sqrt(max(fit["n"] or 1, 1))
    ends = []
    for name in ("slope_low", "slope_high"):
        edge = fit["slope_per_100h"] if fit[name] is None else fit[name]
        turned = (edge - fit["slope_per_100h"]) * (hours - centre_h) / SLOPE_HOURS
        ends.append(np.hypot(turned, mean))
    # The low slope bounds the line from above before the middle, from below after it.
    before = hours < centre_h
    return value - np.where(before, ends[1], ends[0]), value + np.where(before, ends[0], ends[1])


def student_95(degrees: int) -> float:
    """Return Student's two-sided 95 % quantile by its expansion (Abramowitz & Stegun, 26.7.5)."""
    z = NORMAL_95
    return float(
        z
        + (z**3 + z) / (4 * degrees)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * degrees**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * degrees**3)
    )


def _step(axes: Axes, points: Columns) -> bool:
    """Draw the step within which a quantised figure is known; False where there is none."""
    values = np.unique(points["value"][np.isfinite(points["value"])])
    if len(values) < 2:
        return False
    step = float(np.min(np.diff(values)))
    for channel in sorted(set(points["channel"].tolist())):
        own = where(points, channel=channel)
        bars = axes.vlines(
            own["stylus_hours"],
            own["value"],
            own["value"] + step,
            color=MARKS[channel].colour,
            linewidth=0.8,
            alpha=0.6,
        )
        bars.set_gid(f"part.{slug(channel)}")
    return True


def _heights(axes: Axes, heights: Sequence[np.ndarray], least: float) -> None:
    every = np.concatenate([np.ravel(height) for height in heights])
    every = every[np.isfinite(every)]
    low, high = (float(every.min()), float(every.max())) if len(every) else (0.0, 1.0)
    spare = max(0.0, least - (high - low)) / 2 + MARGIN * max(high - low, least, 1e-9)
    axes.set_ylim(low - spare, high + spare)


def _spoken(fit: Row, unit: str) -> str:
    slope, low, high = words.slope(fit)
    said = (
        f"{fit['channel'].capitalize()}: {slope} {words.change_unit(unit)} per 100 h, between "
        f"{low} and {high}"
    )
    if fit["hours_at_limit"] is not None:
        said += (
            f"; limit {words.with_unit(fit['limit_value'], unit)} "
            f"at {words.number(fit['hours_at_limit'], 0)} h"
        )
    return said + "."
