"""Curves of several captures, styli or loads laid over one another, and their difference."""

from collections.abc import Sequence

import numpy as np

from grooveledger.report.pictures.axes import (
    Name,
    decimated,
    frequency_axis,
    joined,
    key,
    line,
    name_beside,
    percent_axis,
    slug,
    value_axis,
)
from grooveledger.report.pictures.frequency import WIDENED, Extent, at_octaves, extent
from grooveledger.report.pictures.rows import Columns
from grooveledger.report.pictures.style import (
    AGES,
    COLOURS,
    MARKS,
    SERIES,
    Mark,
    Picture,
    house_style,
    panel,
)

#: Axis of each table's curve: column, label, unit, low, high, step; None for the percent axis.
AXES: dict[str, tuple[str, str, str, tuple[float, float, float] | None]] = {
    "response": ("response_db", "Response (dB)", "dB", (-6, 3, 1)),
    "separation": ("separation_db", "Separation (dB)", "dB", (0, 35, 5)),
    "distortion": ("thd_pct", "Distortion (%)", "%", None),
}
#: Room beside a panel for the names of its lines: this much a character, within limits, in inches.
_CHARACTER_IN, _BESIDE_IN, _MOST_IN = 0.09, 0.15, 2.7
#: A difference has this axis at least: dB, or percentage points for distortion.
DIFFERENCE_AXIS = (-1.0, 1.0, 0.5)


@house_style
def overlay(
    name: str,
    title: str,
    table: str,
    curves: Sequence[tuple[str, Columns]],
    note: str = "",
    marks: Sequence[Mark] = SERIES,
    hz: Extent | None = None,
    held: Sequence[np.ndarray] | None = None,
) -> Picture:
    """Draw named curves of one table over one another, each named at its end.

    Parameters
    ----------
    name, title, note : str
        Of the picture.
    table : str
        response, separation or distortion; gives the axis.
    curves : sequence of (label, columns)
        Each with `frequency_hz`, rising, and the table's value; a band of one standard uncertainty
        is drawn about it where `band_db` is given.
    marks : sequence of Mark
        Look of each curve; as many curves as marks at most.
    hz : tuple of float, optional
        The frequency axis; by default the one that holds the curves.
    held : sequence of ndarray, optional
        Values that the value axis holds closely, so that pictures which share them share the axis;
        by default it is the table's usual one.
    """
    column, label, unit, scale = AXES[table]
    longest = max(len(shown) for shown, _ in curves)
    figure, axes = panel(key_lines=0, right_in=min(_BESIDE_IN + longest * _CHARACTER_IN, _MOST_IN))
    names = []
    for (shown, part), mark in zip(curves, marks, strict=False):
        x, y = decimated(part["frequency_hz"], part[column])
        if "band_db" in part:
            _, half = decimated(part["frequency_hz"], part["band_db"])
            band = axes.fill_between(
                x, y - half, y + half, color=mark.colour, alpha=0.12, linewidth=0
            )
            band.set_gid(f"part.{slug(shown)}")
        line(axes, x, y, mark, shown)
        ends = y[np.isfinite(y)]
        if len(ends):
            # Light lines keep the text's own colour: a name has to be legible.
            colour = COLOURS["ink"] if mark.colour in AGES else mark.colour
            names.append(Name(shown, shown, colour, float(ends[-1])))
    frequency_axis(axes, *(hz or extent(*(part["frequency_hz"] for _, part in curves))))
    wide = False
    values = [part[column] for _, part in curves]
    if scale is None:
        percent_axis(axes, label, values)
    elif held is not None:
        value_axis(axes, label, *_closely(held, scale[2]))
    else:
        wide = value_axis(axes, label, *scale, values)
    name_beside(axes, names)
    return Picture(
        name,
        title,
        joined(
            [
                f"{title}, against frequency.",
                *(at_octaves(shown, part, column, unit) for shown, part in curves),
            ]
        ),
        figure,
        joined([note, WIDENED if wide else ""]),
    )


def _closely(held: Sequence[np.ndarray], step: float) -> tuple[float, float, float]:
    """Return the lowest and highest whole step that hold some values, and the step."""
    every = np.concatenate(held)
    every = every[np.isfinite(every)]
    if not len(every):
        return 0.0, step, step
    low, high = np.floor(every.min() / step), np.ceil(every.max() / step)
    return float(low * step), float(max(high, low + 1.0) * step), step


@house_style
def difference(
    title: str,
    table: str,
    parts: Sequence[tuple[str, np.ndarray, np.ndarray, np.ndarray | None]],
    note: str,
    hz: Extent,
) -> Picture:
    """Draw the difference of two curves of each channel, with its 95 % band where it is known.

    Parameters
    ----------
    title, note : str
        Of the picture.
    table : str
        response, separation or distortion.
    parts : sequence of (channel, frequency_hz, difference, half_band)
        The newer curve less the older on the newer one's frequencies.
    hz : tuple of float
        The frequency axis.
    """
    _, _, unit, _ = AXES[table]
    unit = "percentage points" if unit == "%" else unit
    figure, axes = panel(2.7)
    held = []
    for channel, frequency_hz, change, half_band in parts:
        held += [change] if half_band is None else [change - half_band, change + half_band]
        x, y = decimated(frequency_hz, change)
        if half_band is not None:
            _, half = decimated(frequency_hz, half_band)
            band = axes.fill_between(
                x, y - half, y + half, color=MARKS[channel].colour, alpha=0.14, linewidth=0
            )
            band.set_gid(f"part.{slug(channel)}")
        line(axes, x, y, MARKS[channel], channel)
    axes.axhline(0.0, color=COLOURS["soft"], linewidth=0.9)
    frequency_axis(axes, *hz)
    value_axis(
        axes,
        f"Change ({unit})",
        *DIFFERENCE_AXIS,
        held,
    )
    key(axes)
    return Picture(
        f"change-{table}",
        title,
        joined(
            [
                f"{title}, against frequency, in {unit}.",
                *(_largest(channel, x, y, unit) for channel, x, y, _ in parts),
            ]
        ),
        figure,
        note,
    )


def _largest(channel: str, frequency_hz: np.ndarray, change: np.ndarray, unit: str) -> str:
    if not np.isfinite(change).any():
        return ""
    place = int(np.nanargmax(np.abs(change)))
    return (
        f"{channel.capitalize()}: largest change {change[place]:+.1f} {unit} "
        f"at {frequency_hz[place]:.0f} Hz."
    )
