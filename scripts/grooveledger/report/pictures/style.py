"""One look for every picture: colours, axes, and how a picture becomes SVG and PNG.

Both channels can be told apart without colour: left is a solid line with round marks, right a
dashed line with square marks, and each line is named in the picture. A picture's colours are those
of the page's light scheme; `inline_svg` exchanges them for the page's variables, so that a picture
in a page follows its light and dark scheme.
"""

import functools
import io
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple, ParamSpec
from xml.sax.saxutils import quoteattr

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

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


class Mark(NamedTuple):
    """How one line of a picture looks."""

    colour: str
    dash: str | tuple[int, tuple[float, ...]]
    marker: str
    #: Where between two marks the first one lies: marks of lines that run together do not coincide.
    place: float = 0.5


#: Looks by channel: colour, line and mark all differ.
MARKS = {
    "left": Mark(COLOURS["left"], "-", "o", 0.25),
    "right": Mark(COLOURS["right"], (0, (5, 2)), "s", 0.75),
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

#: Octaves of ISO 266 that rule every frequency axis.
OCTAVES_HZ = (16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1e3, 2e3, 4e3, 8e3, 16e3, 31.5e3)
#: Ruling of logarithmic percent axes.
PERCENT = (0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
#: More points than this on a line can't be seen.
POINTS_MAX = 800
#: Width of a picture in inches; heights vary.
WIDTH_IN = 6.4
PNG_DPI = 110
#: Of zlib: half the time of its usual 6, for a tenth more bytes.
PNG_COMPRESSION = 3
_LEFT_IN, _RIGHT_IN, _BOTTOM_IN, _TOP_IN = 0.72, 0.16, 0.56, 0.14
#: From a panel's edges to the labels of its axes: room for the figures at the ruling.
_XLABEL_IN, _YLABEL_IN = 0.27, 0.47
#: Height of one line of the key above a panel.
_KEY_IN = 0.23
_BETWEEN_IN = 0.28

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
    "xtick.major.size": 0.0,
    "ytick.major.size": 0.0,
    "grid.color": COLOURS["rule"],
    "grid.linewidth": 0.7,
    "lines.linewidth": 1.5,
    "axes.axisbelow": True,
    "path.simplify": True,
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
    """Draw under the house settings, leaving the caller's own as they were."""

    @functools.wraps(draw)
    def drawn(*args: Arguments.args, **kwargs: Arguments.kwargs) -> Picture:
        with mpl.rc_context(RC):
            return draw(*args, **kwargs)

    return drawn


def panel(height_in: float = 3.1, key_lines: int = 1) -> tuple[Figure, Axes]:
    """Make a figure of one panel with the house margins and room for the key's lines."""
    figure, (axes,) = panels(1, height_in, key_lines)
    return figure, axes


def panels(count: int, height_in: float, key_lines: int = 1) -> tuple[Figure, list[Axes]]:
    """Make a figure of several panels of equal height, one below the other, with the margins."""
    height_in += (key_lines - 1) * _KEY_IN
    figure = Figure(figsize=(WIDTH_IN, height_in))
    room_in = height_in - _BOTTOM_IN - _TOP_IN - key_lines * _KEY_IN - (count - 1) * _BETWEEN_IN
    each_in = room_in / count
    made = []
    for place in reversed(range(count)):
        axes = figure.add_axes(
            (
                _LEFT_IN / WIDTH_IN,
                (_BOTTOM_IN + place * (each_in + _BETWEEN_IN)) / height_in,
                1 - (_LEFT_IN + _RIGHT_IN) / WIDTH_IN,
                each_in / height_in,
            )
        )
        axes.grid(True)
        # Labels lie at the same place in every picture; nothing has to be measured for it.
        width_in = WIDTH_IN - _LEFT_IN - _RIGHT_IN
        axes.xaxis.set_label_coords(0.5, -_XLABEL_IN / each_in)
        axes.yaxis.set_label_coords(-_YLABEL_IN / width_in, 0.5)
        made.append(axes)
    return figure, made


def frequency_axis(axes: Axes, low_hz: float, high_hz: float, label: str = "Frequency") -> None:
    """Rule a logarithmic frequency axis at the octaves."""
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    octaves = [octave for octave in OCTAVES_HZ if low_hz <= octave <= high_hz]
    axes.xaxis.set_major_locator(FixedLocator(octaves))
    axes.xaxis.set_major_formatter(FixedFormatter([hertz(octave) for octave in octaves]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.set_xlabel(f"{label} (Hz)")


def value_axis(
    axes: Axes, label: str, low: float, high: float, step: float, values: Iterable[np.ndarray] = ()
) -> bool:
    """Rule a linear axis from `low` to `high`, widened by whole steps where values need it.

    Returns whether it had to be widened: pictures then can't be compared by eye alone.
    """
    finite = [array[np.isfinite(array)] for array in values]
    every = np.concatenate([*finite, [low, high]])
    bottom = low - step * max(0.0, np.ceil((low - every.min()) / step))
    top = high + step * max(0.0, np.ceil((every.max() - high) / step))
    # A ruling as fine as the usual one would be unreadable on a much wider axis.
    ruling = step * max(1.0, np.ceil((top - bottom) / step / 10))
    axes.set_ylim(bottom, top)
    axes.yaxis.set_major_locator(FixedLocator(np.arange(bottom, top + ruling / 2, ruling).tolist()))
    axes.set_ylabel(label)
    return bool(bottom < low or top > high)


def percent_axis(axes: Axes, label: str) -> None:
    """Rule a logarithmic percent axis, the same in every picture."""
    axes.set_yscale("log")
    axes.set_ylim(PERCENT[0] / 1.5, PERCENT[-1] * 1.5)
    axes.yaxis.set_major_locator(FixedLocator(PERCENT))
    axes.yaxis.set_major_formatter(FixedFormatter([f"{percent:g}" for percent in PERCENT]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.set_ylabel(label)


def decimated(*arrays: np.ndarray) -> tuple[np.ndarray, ...]:
    """Keep every n-th point so that a line has `POINTS_MAX` points at most."""
    step = max(1, -(-len(arrays[0]) // POINTS_MAX))
    return tuple(array[::step] for array in arrays)


def line(axes: Axes, x: np.ndarray, y: np.ndarray, mark: Mark, label: str, marks: int = 8) -> None:
    """Draw a line with a few marks on it."""
    every = max(1, len(x) // marks) if marks else None
    first = int((every or 0) * mark.place) if len(x) > marks else 0
    axes.plot(
        x,
        y,
        color=mark.colour,
        linestyle=mark.dash,
        marker=mark.marker if marks else None,
        markevery=(first, every) if every else None,
        markersize=4,
        label=label,
    )


def key(axes: Axes, columns: int = 4) -> None:
    """Name the lines above the panel."""
    handles, _ = axes.get_legend_handles_labels()
    if handles:
        axes.legend(
            loc="lower left",
            bbox_to_anchor=(0.0, 1.0),
            ncols=columns,
            frameon=False,
            borderaxespad=0.1,
            handlelength=3.2,
        )


def hertz(frequency_hz: float) -> str:
    """Write a frequency briefly: 31.5, 500, 1k, 12.5k."""
    return f"{frequency_hz / 1000:.4g}k" if frequency_hz >= 1000 else f"{frequency_hz:.4g}"


def spoken_hertz(frequency_hz: float) -> str:
    """Say a frequency with its unit: 500 Hz, 12.5 kHz."""
    if frequency_hz >= 1000:
        return f"{frequency_hz / 1000:.4g} kHz"
    return f"{frequency_hz:.4g} Hz"


def said(values: Sequence[str]) -> str:
    """Join parts of an alternative text."""
    return " ".join(part for part in values if part)


def svg(picture: Picture) -> str:
    """Draw a picture as a whole SVG document, the same bytes for the same picture."""
    buffer = io.BytesIO()
    with mpl.rc_context(RC):
        canvas: Any = FigureCanvasSVG(picture.figure)
        canvas.print_svg(buffer, metadata={"Date": None, "Creator": None})
    return buffer.getvalue().decode()


def png(picture: Picture) -> bytes:
    """Draw a picture as PNG."""
    buffer = io.BytesIO()
    with mpl.rc_context(RC):
        picture.figure.set_dpi(PNG_DPI)
        canvas: Any = FigureCanvasAgg(picture.figure)
        canvas.print_png(
            buffer, metadata={"Software": None}, pil_kwargs={"compress_level": PNG_COMPRESSION}
        )
    return buffer.getvalue()


_COLOUR_NAMES = {colour: name for name, colour in COLOURS.items()}
_COLOUR = re.compile("|".join(_COLOUR_NAMES))
_REFERENCE = re.compile(r'(id="|href="#|url\(#)(?=[mph][0-9a-f]{8,})')
_OPENING = re.compile(
    r'<svg [^>]*?viewBox="0 0 (?P<width>[\d.]+) (?P<height>[\d.]+)"[^>]*>', re.DOTALL
)


def inline_svg(document: str, picture: Picture) -> str:
    """Turn an SVG document into an element of a page, with its alternative text.

    Colours become the page's variables; names of parts are made the picture's own, since several
    pictures share a page.
    """
    opening = _OPENING.search(document)
    if opening is None:
        raise ValueError(f"picture {picture.name}: no svg element found in what was drawn")
    body = document[opening.end() :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r"<style[^>]*>.*?</style>", "", body, count=1, flags=re.DOTALL)
    body = re.sub(r"<!--.*?-->", "", body, flags=re.DOTALL)
    body = re.sub(r'<g id="[^"]*"', "<g", body)
    body = _REFERENCE.sub(rf"\g<1>{picture.name}-", body)
    body = _COLOUR.sub(lambda found: f"var(--{_COLOUR_NAMES[found.group()]})", body)
    width, height = opening["width"], opening["height"]
    return (
        f'<svg class="picture" role="img" aria-label={quoteattr(picture.alt)} '
        f'viewBox="0 0 {width} {height}" xmlns:xlink="http://www.w3.org/1999/xlink">{body}'
    )


def save(picture: Picture, folder: Path) -> str:
    """Write a picture as SVG and PNG into a folder, and return the SVG document."""
    document = svg(picture)
    (folder / f"{picture.name}.svg").write_text(document, encoding="utf-8")
    (folder / f"{picture.name}.png").write_bytes(png(picture))
    return document
