"""Axes of pictures: ticks, limits, lines and their names."""

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter, NullLocator

from grooveledger.report.pictures.ruling import BESIDE_PT
from grooveledger.report.pictures.style import COLOURS, WIDTH_IN, Mark

#: Labelled frequencies of a decade; the other whole multiples get a minor tick.
LABELLED = (1, 2, 5)
#: Ticks of logarithmic percent axes.
PERCENT = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
#: More points than this on a line cannot be seen.
POINTS_MAX = 480
#: Ticks of a value axis at most.
TICKS_MAX = 10
#: Least distance of two names beside a panel, in points.
NAME_DISTANCE_PT = 12.5
WIDTH_PT = WIDTH_IN * 72.0
#: Width of a digit of the house's type, and least gap between two labels of an axis, in points.
DIGIT_PT, LABEL_GAP_PT = 6.7, 4.0
#: Names in a line of the key.
KEY_COLUMNS = 4
#: Powers of ten of the frequency axis.
_DECADES = range(-1, 6)


class Name(NamedTuple):
    """The name of a line, to stand beside the panel at the height of the line's end."""

    key: str
    text: str
    colour: str
    height: float


def slug(text: str) -> str:
    """Return a text as part of an id: letters and digits, the rest underscores."""
    return "".join(sign if sign.isalnum() else "_" for sign in text) or "line"


def frequency_axis(axes: Axes, low_hz: float, high_hz: float, label: str = "Frequency") -> None:
    """Rule a logarithmic frequency axis at 1, 2 and 5 of each decade, with minor ticks between."""
    axes.set_xscale("log")
    if low_hz == high_hz:
        # One point alone stands in the middle of an octave.
        low_hz, high_hz = low_hz / np.sqrt(2.0), high_hz * np.sqrt(2.0)
    axes.set_xlim(low_hz, high_hz)
    inside = [
        (digit, digit * 10.0**decade)
        for decade in _DECADES
        for digit in range(1, 10)
        if low_hz * 0.999 <= digit * 10.0**decade <= high_hz * 1.001
    ]
    ruled = [tick_hz for digit, tick_hz in inside if digit in LABELLED]
    width_pt = axes.get_position().width * WIDTH_PT
    labels = labels_that_fit(ruled, width_pt / math.log10(high_hz / low_hz))
    axes.xaxis.set_major_locator(FixedLocator(ruled))
    axes.xaxis.set_major_formatter(FixedFormatter(labels))
    axes.xaxis.set_minor_locator(
        FixedLocator([hz for digit, hz in inside if digit not in LABELLED])
    )
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_xlabel(f"{label} (Hz)")


def labels_that_fit(ticks_hz: Sequence[float], decade_pt: float) -> list[str]:
    """Label ticks of a frequency axis, powers of ten first; one too close to another stays blank.

    Examples
    --------
    >>> labels_that_fit([1000.0, 2000.0, 5000.0, 10000.0, 20000.0], 60.0)
    ['1k', '2k', '', '10k', '']
    """
    kept: dict[int, tuple[float, float]] = {}
    for place in sorted(range(len(ticks_hz)), key=lambda i: math.log10(ticks_hz[i]) % 1.0 > 1e-9):
        middle = math.log10(ticks_hz[place]) * decade_pt
        half = 0.5 * (len(hertz(ticks_hz[place])) * DIGIT_PT + LABEL_GAP_PT)
        if all(abs(middle - other) >= half + width for other, width in kept.values()):
            kept[place] = middle, half
    return [hertz(hz) if place in kept else "" for place, hz in enumerate(ticks_hz)]


def snapped_hz(low_hz: float, high_hz: float) -> tuple[float, float]:
    """Widen a range of frequencies to whole first digits: 20.7 to 19 800 Hz gives 20 to 20 000 Hz.

    So pictures of captures of one record have the same axis although each curve ends a little
    elsewhere.
    """

    def whole(value_hz: float, rounded: float) -> float:
        decade = 10.0 ** math.floor(math.log10(value_hz) + 1e-9)
        return float(decade * rounded)

    low_digit = math.floor(low_hz / 10.0 ** math.floor(math.log10(low_hz) + 1e-9) + 1e-6)
    high_digit = math.ceil(high_hz / 10.0 ** math.floor(math.log10(high_hz) + 1e-9) - 0.02)
    return whole(low_hz, low_digit), whole(high_hz, high_digit)


def value_axis(
    axes: Axes, label: str, low: float, high: float, step: float, values: Iterable[np.ndarray] = ()
) -> bool:
    """Rule a linear axis from `low` to `high`, widened by whole steps where values need it.

    Zero is always a tick where it is inside. Returns whether the axis had to be widened: pictures
    then cannot be compared by eye alone.
    """
    finite = [array[np.isfinite(array)] for array in values]
    every = np.concatenate([*finite, [low, high]])
    bottom = low - step * max(0.0, np.ceil((low - every.min()) / step))
    top = high + step * max(0.0, np.ceil((every.max() - high) / step))
    # Ticks as dense as usual would be unreadable on a much wider axis.
    ruling = step * max(1.0, np.ceil((top - bottom) / step / TICKS_MAX))
    first = math.ceil(bottom / ruling - 1e-9)
    last = math.floor(top / ruling + 1e-9)
    axes.set_ylim(bottom, top)
    axes.yaxis.set_major_locator(FixedLocator([ruling * place for place in range(first, last + 1)]))
    axes.set_ylabel(label)
    return bool(bottom < low or top > high)


def percent_axis(axes: Axes, label: str, values: Iterable[np.ndarray] = ()) -> None:
    """Rule a logarithmic percent axis from 0.1 to 10, widened by whole ticks where values need."""
    positive = [array[np.isfinite(array) & (array > 0)] for array in values]
    every = np.concatenate([*positive, [0.1, 10.0]])
    low = max([tick for tick in PERCENT if tick <= every.min()], default=PERCENT[0])
    high = min([tick for tick in PERCENT if tick >= every.max()], default=PERCENT[-1])
    axes.set_yscale("log")
    axes.set_ylim(low / 1.1, high * 1.1)
    ticks = [tick for tick in PERCENT if low <= tick <= high]
    axes.yaxis.set_major_locator(FixedLocator(ticks))
    axes.yaxis.set_major_formatter(FixedFormatter([f"{tick:g}" for tick in ticks]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.set_ylabel(label)


def decimated(*arrays: np.ndarray) -> tuple[np.ndarray, ...]:
    """Keep every n-th point so that a line has `POINTS_MAX` points at most."""
    step = max(1, -(-len(arrays[0]) // POINTS_MAX))
    return tuple(array[::step] for array in arrays)


def line(
    axes: Axes,
    x: np.ndarray,
    y: np.ndarray,
    mark: Mark,
    label: str,
    marks: int = 8,
    key_name: str | None = None,
) -> Line2D:
    """Draw a line with a few marks on it; its name makes it a curve whose values a page can show.

    `key_name` is that name where the line has no entry in the key.
    """
    every = max(1, len(x) // marks) if marks else None
    first = int((every or 0) * mark.place) if len(x) > marks else 0
    (drawn,) = axes.plot(
        x,
        y,
        color=mark.colour,
        linestyle=mark.dash,
        linewidth=mark.width,
        marker=mark.marker if marks else None,
        markevery=(first, every) if every else None,
        markersize=4,
        label=label,
    )
    name_curve(drawn, key_name or label)
    return drawn


def name_curve(drawn: Line2D, name: str) -> None:
    """Give a line the name by which a page shows its values and hides it."""
    drawn.set_gid(f"curve.{slug(name)}")


def key(axes: Axes, columns: int = KEY_COLUMNS) -> None:
    """Name the lines above the panel."""
    handles, labels = axes.get_legend_handles_labels()
    if not handles:
        return
    legend = axes.legend(
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        ncols=columns,
        frameon=False,
        borderaxespad=0.1,
        handlelength=3.2,
    )
    for text, label in zip(legend.get_texts(), labels, strict=True):
        text.set_gid(f"key.{slug(label)}")


def name_beside(axes: Axes, names: Sequence[Name]) -> None:
    """Write each line's name beside the panel at its end, moved apart where they would overlap."""
    if not names:
        return
    height_pt = axes.bbox.height / axes.bbox.width * axes.get_position().width * WIDTH_PT
    low, high = axes.get_ylim()
    if axes.get_yscale() == "log":
        low, high = math.log(low), math.log(high)

    def place(name: Name) -> float:
        value = name.height
        if axes.get_yscale() == "log":
            # What is 0 has its name at the panel's lower edge.
            value = math.log(value) if value > 0.0 else low
        return (value - low) / (high - low)

    ordered = sorted(names, key=place)
    places = spread([place(name) for name in ordered], NAME_DISTANCE_PT / height_pt)
    for name, at in zip(ordered, places, strict=True):
        text = axes.annotate(
            name.text,
            (1.0, at),
            xycoords="axes fraction",
            xytext=(5, 0),
            textcoords="offset points",
            verticalalignment="center",
            color=name.colour,
            annotation_clip=False,
        )
        text.set_gid(f"key.{slug(name.key)}")


def spread(places: Sequence[float], distance: float) -> list[float]:
    """Move rising places apart to a least distance, each no further than the others make it."""
    placed = [min(max(place, 0.0), 1.0) for place in places]
    # Places that touch form a block about their mean; blocks that touch grow together.
    blocks: list[list[float]] = []
    for place in placed:
        blocks.append([place])
        while len(blocks) > 1 and _top(blocks[-2], distance) > _bottom(blocks[-1], distance):
            blocks[-2:] = [blocks[-2] + blocks[-1]]
    found = []
    for block in blocks:
        start = _bottom(block, distance) + distance / 2
        found += [start + distance * number for number in range(len(block))]
    return found


def _middle(block: list[float], distance: float) -> float:
    """Return the middle of a block of places, moved so that none of them leaves the panel."""
    half = min(distance * (len(block) - 1) / 2, 0.5)
    return min(max(sum(block) / len(block), half), 1.0 - half)


def _bottom(block: list[float], distance: float) -> float:
    return _middle(block, distance) - distance * len(block) / 2


def _top(block: list[float], distance: float) -> float:
    return _middle(block, distance) + distance * len(block) / 2


def name_level(axes: Axes, height: float, text: str, above: bool = True) -> None:
    """Name a level line at its left end, above or below it."""
    axes.annotate(
        text,
        (0.0, height),
        xycoords=("axes fraction", "data"),
        xytext=(4, 2 if above else -2),
        textcoords="offset points",
        verticalalignment="bottom" if above else "top",
        color=COLOURS["alarm"],
    )


def name_lane(axes: Axes, height: float, text: str) -> None:
    """Write the name of a lane beside the panel, as the figures of a ruled axis are."""
    axes.annotate(
        text,
        (0.0, height),
        xycoords=("axes fraction", "data"),
        xytext=(-BESIDE_PT, 0),
        textcoords="offset points",
        horizontalalignment="right",
        verticalalignment="center_baseline",
        color=COLOURS["soft"],
    )


def hertz(frequency_hz: float) -> str:
    """Write a frequency briefly: 31.5, 500, 1k, 12.5k."""
    return f"{frequency_hz / 1000:.4g}k" if frequency_hz >= 1000 else f"{frequency_hz:.4g}"


def spoken_hertz(frequency_hz: float) -> str:
    """Write a frequency with its unit: 500 Hz, 12.5 kHz."""
    if frequency_hz >= 1000:
        return f"{frequency_hz / 1000:.4g} kHz"
    return f"{frequency_hz:.4g} Hz"


def joined(parts: Iterable[str]) -> str:
    """Join the sentences of a note or an alternative text."""
    return " ".join(part for part in parts if part)
