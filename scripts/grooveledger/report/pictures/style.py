"""One look for every picture: colours, lines, marks and panels.

The channels differ in more than colour: left is a solid line with round marks, right a dashed
line with square marks drawn over it, so that both are visible where they coincide. A picture's
colours are those of the page's light scheme; `svg.inline` replaces them by the page's variables.
"""

import functools
import textwrap
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple, ParamSpec

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from grooveledger.report.pictures.ruling import rule

#: Colours by the name of the page's variable; every one differs, so that they can be exchanged.
COLOURS = {
    "paper": "#fdfcf8",
    "ink": "#1e2529",
    "soft": "#4b555b",
    "rule": "#dcd8cb",
    "left": "#0a6a70",
    "right": "#a4460e",
    "axis": "#5a3f98",
    "other": "#6a5f00",
    "alarm": "#a01239",
    "shade": "#ece7d6",
}
#: One hue from light to dark, for captures of a stylus in order of its hours.
AGES = ("#86b3b0", "#6aa09d", "#4e8c8a", "#357776", "#1e6161", "#0b4a4b", "#04373a", "#022529")
COLOURS |= {f"age{place}": colour for place, colour in enumerate(AGES)}


class Mark(NamedTuple):
    """How one line of a picture looks."""

    colour: str
    dash: str | tuple[int, tuple[float, ...]]
    marker: str
    #: Where between two marks the first one lies: marks of lines that run together do not coincide.
    place: float = 0.5
    #: Width of the line in points: the lower of two lines that coincide shows beside the upper.
    width: float = 1.5


#: Looks by channel: colour, line and mark all differ.
MARKS = {
    "left": Mark(COLOURS["left"], "-", "o", 0.25, 2.2),
    "right": Mark(COLOURS["right"], (0, (4, 3)), "s", 0.75, 1.4),
    "both": Mark(COLOURS["axis"], "-", "D"),
    "lateral": Mark(COLOURS["axis"], (0, (8, 2, 1, 2)), "^"),
    "vertical": Mark(COLOURS["other"], (0, (1.5, 1.5)), "v"),
}
#: Looks of up to eight styli or loads laid over one another; they differ in line and mark as well.
SERIES = (
    Mark(COLOURS["left"], "-", "o", 0.0),
    Mark(COLOURS["right"], (0, (5, 2)), "s", 0.125),
    Mark(COLOURS["axis"], (0, (8, 2, 1, 2)), "D", 0.25),
    Mark(COLOURS["other"], (0, (2, 1.5)), "^", 0.375),
    Mark(COLOURS["alarm"], (0, (10, 3)), "v", 0.5),
    Mark(COLOURS["ink"], (0, (1, 1)), "P", 0.625),
    Mark(COLOURS["left"], (0, (4, 1, 1, 1)), "X", 0.75),
    Mark(COLOURS["right"], (0, (12, 2)), "*", 0.875),
)

#: Width of a picture in inches; heights vary.
WIDTH_IN = 6.4
_LEFT_IN, _RIGHT_IN, _BOTTOM_IN, _TOP_IN = 0.84, 0.2, 0.7, 0.14
#: From a panel's edges to the labels of its axes: room for the figures at the ruling.
_XLABEL_IN, _YLABEL_IN = 0.29, 0.62
#: Height of one line of the key above a panel.
_KEY_IN = 0.23
_BETWEEN_IN = 0.28
#: Height of a line above a picture, and its characters at most.
_HEAD_IN, _LINE_MOST = 0.24, 78

#: Fixed settings: text stays text, and the same picture gives the same bytes.
RC: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "groove ledger",
    "font.family": "DejaVu Sans",
    "font.size": 10.5,
    "axes.edgecolor": COLOURS["soft"],
    "axes.facecolor": COLOURS["paper"],
    "figure.facecolor": COLOURS["paper"],
    "text.color": COLOURS["ink"],
    "axes.labelcolor": COLOURS["ink"],
    "xtick.color": COLOURS["soft"],
    "ytick.color": COLOURS["soft"],
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.8,
    "lines.linewidth": 1.5,
    "axes.axisbelow": True,
    # A page reads the values under the pointer from the lines: no point may be dropped.
    "path.simplify": False,
}


@dataclass(frozen=True)
class Picture:
    """A finished picture.

    Attributes
    ----------
    name : str
        Stem of its file names.
    title : str
        What it shows, a few words.
    alt : str
        What a person who can't see it needs to know.
    figure : matplotlib.figure.Figure
        The drawing.
    note : str
        How to read it; may be empty.
    """

    name: str
    title: str
    alt: str
    figure: Figure
    note: str = ""


Arguments = ParamSpec("Arguments")


def house_style(draw: Callable[Arguments, Picture]) -> Callable[Arguments, Picture]:
    """Draw under the house settings, leaving the caller's own as they were, and rule the panels."""

    @functools.wraps(draw)
    def drawn(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Picture:
        with mpl.rc_context(RC):
            picture = draw(*args, **kwargs)
            for axes in picture.figure.axes:
                rule(axes, COLOURS["soft"], COLOURS["rule"])
            return picture

    return drawn


def signed(picture: Picture, signature: str) -> Picture:
    """Sign a picture below its axes with what it is of: it then stands by itself."""
    if signature:
        picture.figure.text(
            1 - 0.05 / WIDTH_IN,
            0.04 / float(picture.figure.get_size_inches()[1]),
            signature,
            color=COLOURS["soft"],
            fontsize=RC["font.size"],
            fontfamily=RC["font.family"],
            horizontalalignment="right",
            verticalalignment="bottom",
        )
    return picture


def headed(picture: Picture, heading: str, lines: Iterable[str] = ()) -> Picture:
    """Write a heading and lines above a picture, which grows by as much: it then needs no page."""
    figure = picture.figure
    written = [part for line in lines for part in textwrap.wrap(line, _LINE_MOST)]
    width_in, old_in = (float(size) for size in figure.get_size_inches())
    new_in = old_in + _HEAD_IN * (1 + len(written))
    figure.set_size_inches(width_in, new_in)
    for axes in figure.axes:
        x, y, width, height = axes.get_position().bounds
        axes.set_position((x, y * old_in / new_in, width, height * old_in / new_in))
    for place, text in enumerate([heading, *written]):
        figure.text(
            0.1 / width_in,
            1.0 - (_HEAD_IN * place + 0.06) / new_in,
            text,
            color=COLOURS["ink" if place == 0 else "soft"],
            fontsize=RC["font.size"] * (1.0 if place == 0 else 0.9),
            fontweight="bold" if place == 0 else "normal",
            fontfamily=RC["font.family"],
            verticalalignment="top",
        )
    return picture


def panel(
    height_in: float = 3.2,
    key_lines: int = 1,
    right_in: float = _RIGHT_IN,
    left_in: float = _LEFT_IN,
) -> tuple[Figure, Axes]:
    """Make a figure of one panel with the house margins and room for the key's lines."""
    figure, (axes,) = panels(1, height_in, key_lines, right_in, left_in)
    return figure, axes


def panels(
    count: int,
    height_in: float,
    key_lines: int = 1,
    right_in: float = _RIGHT_IN,
    left_in: float = _LEFT_IN,
) -> tuple[Figure, list[Axes]]:
    """Make a figure of several panels of equal height, one below the other, with the margins.

    `right_in` and `left_in` are the margins beside the panels, in inches: names of lines or lanes
    may stand there.
    """
    height_in += (key_lines - 1) * _KEY_IN
    figure = Figure(figsize=(WIDTH_IN, height_in))
    room_in = height_in - _BOTTOM_IN - _TOP_IN - key_lines * _KEY_IN - (count - 1) * _BETWEEN_IN
    each_in = room_in / count
    made = []
    for place in reversed(range(count)):
        axes = figure.add_axes(
            (
                left_in / WIDTH_IN,
                (_BOTTOM_IN + place * (each_in + _BETWEEN_IN)) / height_in,
                1 - (left_in + right_in) / WIDTH_IN,
                each_in / height_in,
            )
        )
        _place_labels(axes, WIDTH_IN - left_in - right_in, each_in)
        made.append(axes)
    return figure, made


def planes(count: int, height_in: float, key_lines: int = 1) -> tuple[Figure, list[Axes]]:
    """Make a figure of several panels side by side, with the house margins."""
    figure = Figure(figsize=(WIDTH_IN, height_in))
    each_in = WIDTH_IN / count - _LEFT_IN - _RIGHT_IN
    room_in = height_in - _BOTTOM_IN - _TOP_IN - key_lines * _KEY_IN
    made = []
    for place in range(count):
        left_in = place * WIDTH_IN / count + _LEFT_IN
        axes = figure.add_axes(
            (
                left_in / WIDTH_IN,
                _BOTTOM_IN / height_in,
                each_in / WIDTH_IN,
                room_in / height_in,
            )
        )
        _place_labels(axes, each_in, room_in)
        made.append(axes)
    return figure, made


def _place_labels(axes: Axes, width_in: float, height_in: float) -> None:
    """Put the labels of axes where every picture has them; nothing has to be measured for it."""
    axes.xaxis.set_label_coords(0.5, -_XLABEL_IN / height_in)
    axes.yaxis.set_label_coords(-_YLABEL_IN / width_in, 0.5)
