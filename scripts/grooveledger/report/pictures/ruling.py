"""The ruling of a panel: grid, small ticks and figures, a few artists an axis.

Matplotlib's own axes keep five artists a tick, which cost more than all else in a picture.
"""

from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.lines import Line2D
from matplotlib.text import Text
from matplotlib.ticker import NullLocator
from matplotlib.transforms import offset_copy
from numpy.typing import ArrayLike

#: From an axis to its figures, points: the lowest beside a panel and the first below it share a
#: corner.
BELOW_PT, BESIDE_PT = 7.0, 3.5
GRID_PT, SMALL_TICK_PT, SMALL_TICK_WIDTH_PT = 0.7, 2.5, 0.5
#: The marker of a tick downwards.
DOWN: Final = 3
#: The grid lies below every line.
GRID_ORDER = 0.5
#: What is beyond an end of an axis by this part of it is at the end.
ROUNDING = 1e-9


def rule(axes: Axes, figures_colour: str, grid_colour: str) -> None:
    """Draw the ticks that a panel has by its locators and formatters, and leave it without any.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        The panel; what is drawn in it later does not move its limits.
    figures_colour, grid_colour : str
        Colours of the figures with the small ticks, and of the grid.
    """
    # Asked for, limits that follow from what was drawn become final.
    axes.get_xlim()
    axes.get_ylim()
    across, up = axes.get_xaxis_transform(), axes.get_yaxis_transform()
    figure = axes.get_figure(root=True)
    below = offset_copy(across, figure, y=-BELOW_PT, units="points")
    beside = offset_copy(up, figure, x=-BESIDE_PT, units="points")
    for x, y, transform in (
        (*_lines(axes.xaxis), across),
        (*_lines(axes.yaxis)[::-1], up),
    ):
        grid = Line2D(x, y, color=grid_colour, transform=transform)
        grid.set(linewidth=GRID_PT, zorder=GRID_ORDER)
        axes.add_artist(grid)
    for place, words in _figures(axes.xaxis):
        text = Text(place, 0.0, words, color=figures_colour, transform=below, clip_on=False)
        text.set(horizontalalignment="center", verticalalignment="top")
        axes.add_artist(text)
    for place, words in _figures(axes.yaxis):
        text = Text(0.0, place, words, color=figures_colour, transform=beside, clip_on=False)
        text.set(horizontalalignment="right", verticalalignment="center_baseline")
        axes.add_artist(text)
    small = _inside(axes.xaxis, axes.xaxis.get_minorticklocs())
    ticks = Line2D(small, np.zeros(len(small)), linestyle="none", marker=DOWN, clip_on=False)
    ticks.set(color=figures_colour, transform=across)
    ticks.set(markersize=SMALL_TICK_PT, markeredgewidth=SMALL_TICK_WIDTH_PT)
    axes.add_artist(ticks)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(NullLocator())
        axis.set_minor_locator(NullLocator())


def _figures(axis: Axis) -> list[tuple[float, str]]:
    """Return the places of an axis' figures, and what they say."""
    places = np.asarray(axis.get_majorticklocs(), float).tolist()
    figures = axis.get_major_formatter().format_ticks(places)
    inside = set(_inside(axis, places).tolist())
    return [(at, text) for at, text in zip(places, figures, strict=True) if text and at in inside]


def _lines(axis: Axis) -> tuple[np.ndarray, np.ndarray]:
    """Return the grid lines of an axis, apart by gaps: places along it, and the panel's edges."""
    places = _inside(axis, axis.get_majorticklocs())
    return np.repeat(places, 3), np.tile([0.0, 1.0, np.nan], len(places))


def _inside(axis: Axis, places: ArrayLike) -> np.ndarray:
    """Return those of some places that lie between the ends of an axis."""
    low, high = np.sort(axis.get_transform().transform(axis.get_view_interval()))
    at = axis.get_transform().transform(np.asarray(places, dtype=float))
    margin = ROUNDING * (high - low)
    return np.asarray(places, dtype=float)[(at >= low - margin) & (at <= high + margin)]
