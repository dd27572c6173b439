"""Curves of several captures, styli or loads laid over one another."""

from collections.abc import Sequence

import numpy as np

from grooveledger.report.pictures.frequency import WIDENED, at_octaves, extent
from grooveledger.report.pictures.rows import Columns
from grooveledger.report.pictures.style import (
    SERIES,
    Mark,
    Picture,
    decimated,
    frequency_axis,
    house_style,
    key,
    line,
    panel,
    percent_axis,
    said,
    value_axis,
)

#: Axis of each table's curve: column, label, unit, low, high, step; None for the percent axis.
AXES: dict[str, tuple[str, str, str, tuple[float, float, float] | None]] = {
    "response": ("response_db", "Response (dB)", "dB", (-12, 6, 3)),
    "separation": ("separation_db", "Separation (dB)", "dB", (0, 40, 5)),
    "distortion": ("thd_pct", "Distortion (%)", "%", None),
}

#: Names side by side in the key.
KEY_COLUMNS = 2


@house_style
def overlay(
    name: str,
    title: str,
    table: str,
    curves: Sequence[tuple[str, Columns]],
    note: str = "",
    marks: Sequence[Mark] = SERIES,
) -> Picture:
    """Draw named curves of one table over one another.

    Parameters
    ----------
    name, title, note : str
        Of the picture.
    table : str
        response, separation or distortion; gives the axis.
    curves : sequence of (label, columns)
        Each with `frequency_hz`, rising, and the table's value.
    marks : sequence of Mark
        Look of each curve; as many curves as marks at most.
    """
    column, label, unit, scale = AXES[table]
    figure, axes = panel(key_lines=-(-len(curves) // KEY_COLUMNS))
    for (shown, part), mark in zip(curves, marks, strict=False):
        x, y = decimated(part["frequency_hz"], part[column])
        line(axes, x, y, mark, shown)
    frequency_axis(axes, *extent(np.concatenate([part["frequency_hz"] for _, part in curves])))
    wide = False
    if scale is None:
        percent_axis(axes, label)
    else:
        wide = value_axis(axes, label, *scale, [part[column] for _, part in curves])
    key(axes, columns=KEY_COLUMNS)
    return Picture(
        name,
        title,
        said(
            [
                f"{title}, against frequency.",
                *(at_octaves(shown, part, column, unit) for shown, part in curves),
            ]
        ),
        figure,
        said([note, WIDENED if wide else ""]),
    )
