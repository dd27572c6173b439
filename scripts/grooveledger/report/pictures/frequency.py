"""Curves against frequency: response, separation, distortion, spectrum, noise."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import NullFormatter

from grooveledger.report.pictures.axes import (
    POINTS_MAX,
    decimated,
    frequency_axis,
    joined,
    key,
    line,
    name_curve,
    percent_axis,
    slug,
    snapped_hz,
    spoken_hertz,
    value_axis,
)
from grooveledger.report.pictures.rows import Columns, count, groups, sorted_by
from grooveledger.report.pictures.style import (
    COLOURS,
    MARKS,
    Mark,
    Picture,
    house_style,
    panel,
    panels,
)

#: Extent of the frequency axis where a page gives none and there is no curve.
AUDIO_HZ = (20.0, 20_000.0)
#: Highest frequency that any curve has.
HIGHEST_HZ = 50_000.0
Extent = tuple[float, float]
#: Names of the file's channels, and their looks, in a noise density.
NOISE_MARKS = {
    "left": MARKS["left"],
    "right": MARKS["right"],
    "sum": MARKS["lateral"],
    "difference": MARKS["vertical"],
}
#: Fewer points are marks, no line: single tones.
FEW_POINTS = 3
#: Where the axis of a noise density begins.
DENSITY_FROM_HZ = 4.0
#: Points of a noise density, each the mean of its stretch of the log axis.
DENSITY_POINTS = 240
#: The tone and its harmonics marked in a spectrum.
SPECTRUM_ORDERS = 5
WIDENED = "The scale is wider than usual, to hold this curve."
BOUND = "Dotted stretches are bounds: the noise floor hides the figure."


def extent(*frequencies_hz: np.ndarray) -> Extent:
    """Give the frequency axis that holds all the curves of a page, in whole first digits."""
    ends = [(float(np.nanmin(f)), float(np.nanmax(f))) for f in frequencies_hz if len(f)]
    if not ends:
        return AUDIO_HZ
    return snapped_hz(min(low for low, _ in ends), max(high for _, high in ends))


def lines_of(rows: Columns) -> list[tuple[str, str, Columns]]:
    """Return (label, channel, rows) of each line, one a track and channel, longest first.

    Further lines of a channel have an empty label: they look like the first.
    """
    found = [
        (str(channel), sorted_by(part, "frequency_hz"))
        for (channel, _), part in groups(rows, "channel", "track")
    ]
    found.sort(key=lambda item: (item[0], -count(item[1])))
    named: set[str] = set()
    lines: list[tuple[str, str, Columns]] = []
    for channel, part in found:
        lines.append(("" if channel in named else channel, channel, part))
        named.add(channel)
    return lines


def at_octaves(label: str, part: Columns, column: str, unit: str, places: int = 1) -> str:
    """Say a curve in a few figures: its values nearest to 100 Hz, 1, 5, 10 and 15 kHz."""
    if not label:
        return ""
    frequency_hz, values = part["frequency_hz"], part[column]
    finite = np.isfinite(values)
    spots = []
    for wanted_hz in (100.0, 1e3, 5e3, 10e3, 15e3):
        if not finite.any():
            break
        distance = np.where(finite, np.abs(np.log(frequency_hz / wanted_hz)), np.inf)
        nearest = int(np.argmin(distance))
        if distance[nearest] < np.log(1.1):
            spots.append(f"{values[nearest]:.{places}f} {unit} at {spoken_hertz(wanted_hz)}")
    return f"{label.capitalize()}: {', '.join(spots)}." if spots else ""


def curve(axes: Axes, part: Columns, column: str, mark: Mark, label: str) -> bool:
    """Draw a curve, its bounds dotted; returns whether it has bounds."""
    limited = part.get("limited", np.zeros(len(part[column]), dtype=bool))
    x, y, bound = decimated(part["frequency_hz"], part[column], limited)
    figures = np.where(bound, np.nan, y)
    name = label or str(part["channel"][0])
    if len(x) < FEW_POINTS:
        (drawn,) = axes.plot(
            x, figures, linestyle="none", marker=mark.marker, color=mark.colour, label=label
        )
        name_curve(drawn, name)
    else:
        line(axes, x, figures, mark, label, key_name=name)
    if bound.any():
        _part(axes, x, np.where(bound, y, np.nan), mark, ":", name)
    return bool(bound.any())


def _part(axes: Axes, x: np.ndarray, y: np.ndarray, mark: Mark, dash: object, name: str) -> None:
    """Draw a light line that belongs to a curve and is hidden with it."""
    (drawn,) = axes.plot(x, y, color=mark.colour, linestyle=dash, linewidth=0.9)
    drawn.set_gid(f"part.{slug(name)}")


@house_style
def response(rows: Columns, hz: Extent | None = None) -> Picture:
    """Draw the response of both channels, with the standard uncertainty as a band."""
    figure, axes = panel()
    lines = lines_of(rows)
    for label, channel, part in lines:
        mark = MARKS[channel]
        x, y, spread = decimated(part["frequency_hz"], part["response_db"], part["uncertainty_db"])
        band = axes.fill_between(
            x, y - spread, y + spread, color=mark.colour, alpha=0.12, linewidth=0
        )
        band.set_gid(f"part.{slug(channel)}")
        curve(axes, part, "response_db", mark, label)
    frequency_axis(axes, *(hz or extent(rows["frequency_hz"])))
    wide = value_axis(axes, "Response (dB)", -6, 3, 1, [rows["response_db"]])
    key(axes)
    references = [spoken_hertz(value) for value in np.unique(rows["reference_hz"])]
    return Picture(
        "response",
        "Frequency response",
        joined(
            [
                f"Response in dB relative to {' and '.join(references)}, against frequency.",
                *(at_octaves(label, part, "response_db", "dB") for label, _, part in lines),
            ]
        ),
        figure,
        joined(
            [
                f"Relative to {' and '.join(references)}; the band is one standard uncertainty.",
                WIDENED if wide else "",
            ]
        ),
    )


@house_style
def separation(rows: Columns, hz: Extent | None = None) -> Picture:
    """Draw the channel separation, named by the driven channel."""
    figure, axes = panel()
    lines = lines_of(rows)
    bounded = [curve(axes, part, "separation_db", MARKS[ch], lab) for lab, ch, part in lines]
    frequency_axis(axes, *(hz or extent(rows["frequency_hz"])))
    wide = value_axis(axes, "Separation (dB)", 0, 35, 5, [rows["separation_db"]])
    key(axes)
    return Picture(
        "separation",
        "Channel separation",
        joined(
            [
                "Separation in dB of the driven channel from the other, against frequency.",
                *(at_octaves(label, part, "separation_db", "dB") for label, _, part in lines),
            ]
        ),
        figure,
        joined(
            [
                "Named by the driven channel; more is better.",
                BOUND if any(bounded) else "",
                WIDENED if wide else "",
            ]
        ),
    )


@house_style
def distortion(rows: Columns, hz: Extent | None = None) -> Picture:
    """Draw the total harmonic distortion against frequency, with the second and third harmonic."""
    figure, axes = panel()
    lines = lines_of(rows)
    bounded = []
    for label, channel, part in lines:
        bounded.append(curve(axes, part, "thd_pct", MARKS[channel], label))
        _harmonic(axes, part, "h2_pct", MARKS[channel], "2")
        _harmonic(axes, part, "h3_pct", MARKS[channel], "3")
    frequency_axis(axes, *(hz or extent(rows["frequency_hz"])))
    percent_axis(axes, "Distortion (%)", [rows[name] for name in ("thd_pct", "h2_pct", "h3_pct")])
    key(axes)
    return Picture(
        "distortion",
        "Harmonic distortion",
        joined(
            [
                "Total harmonic distortion in percent of the fundamental, against frequency.",
                *(at_octaves(label, part, "thd_pct", "%", 2) for label, _, part in lines),
            ]
        ),
        figure,
        joined(
            [
                "Heavy lines: all harmonics together. Light lines, numbered 2 and 3: second and "
                "third harmonic alone, where noise leaves them known.",
                BOUND if any(bounded) else "",
            ]
        ),
    )


def _harmonic(axes: Axes, part: Columns, column: str, mark: Mark, name: str) -> None:
    # Without a noise of its own a harmonic is a bound.
    is_bound = np.isnan(part[column.replace("_pct", "_noise_pct")])
    x, y = decimated(part["frequency_hz"], np.where(is_bound, np.nan, part[column]))
    finite = np.flatnonzero(np.isfinite(y) & (y > 0))
    if len(finite) < FEW_POINTS:
        return
    channel = str(part["channel"][0])
    _part(axes, x, y, mark, mark.dash, channel)
    if name in {text.get_text() for text in axes.texts}:
        return  # the harmonics of both channels lie close together: one name serves both
    end = finite[-1]
    axes.annotate(
        name,
        (x[end], y[end]),
        xytext=(4, 0),
        textcoords="offset points",
        verticalalignment="center",
        color=COLOURS["ink"],
    )


@house_style
def spectrum(rows: Columns, tone_hz: float) -> Picture:
    """Draw the spectrum of a tone, a panel a channel, its harmonics numbered."""
    parts = [
        (str(channel), next(part for _, part in groups(tracks, "track")))
        for (channel,), tracks in groups(rows, "channel")
    ]
    figure, every = panels(len(parts), 1.7 * len(parts) + 0.9)
    low_hz, high_hz = AUDIO_HZ[0], snapped_hz(1.0, float(np.nanmax(rows["frequency_hz"])))[1]
    for axes, (channel, part) in zip(every, parts, strict=True):
        x, y = _peaks_kept(part["frequency_hz"], part["level_db"])
        line(axes, x, y, MARKS[channel]._replace(dash="-", width=0.9), channel, marks=0)
        frequency_axis(axes, low_hz, high_hz)
        value_axis(axes, f"{channel.capitalize()} (dB)", -100, 0, 20, [])
        axes.set_title(
            f"{channel}, track {part['track'][0]:.0f}, dB relative to the tone",
            loc="left",
        )
        for order in range(1, int(high_hz / tone_hz) + 1)[:SPECTRUM_ORDERS]:
            _numbered(axes, order, order * tone_hz)
    for axes in every[:-1]:
        axes.set_xlabel("")
        axes.xaxis.set_major_formatter(NullFormatter())
    return Picture(
        f"spectrum-{tone_hz:.0f}",
        f"Spectrum of the {spoken_hertz(tone_hz)} tone",
        joined(
            [
                f"Level in dB relative to the tone at {spoken_hertz(tone_hz)}, against frequency.",
                *(_harmonics_joined(channel, part, tone_hz) for channel, part in parts),
            ]
        ),
        figure,
        "Numbered verticals: the tone (1), shifted to its nominal frequency, and its harmonics.",
    )


def _numbered(axes: Axes, order: int, frequency_hz: float) -> None:
    axes.axvline(frequency_hz, color=COLOURS["soft"], linewidth=0.5, linestyle=":")
    axes.annotate(
        str(order),
        (frequency_hz, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(2, -2),
        textcoords="offset points",
        verticalalignment="top",
        color=COLOURS["ink"],
    )


def _harmonics_joined(channel: str, part: Columns, tone_hz: float) -> str:
    spots = []
    for order in (2, 3):
        near = np.abs(part["frequency_hz"] / tone_hz - order) < 0.02
        if near.any():
            spots.append(f"order {order} at {np.nanmax(part['level_db'][near]):.0f} dB")
    return f"{channel.capitalize()}: {', '.join(spots)}." if spots else ""


def _peaks_kept(frequency_hz: np.ndarray, level_db: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Thin a spectrum to a line's points on the log axis, the highest level of each bin kept."""
    inside = np.isfinite(level_db) & (frequency_hz >= AUDIO_HZ[0])
    frequency_hz, level_db = frequency_hz[inside], level_db[inside]
    order = np.lexsort((-level_db, _bins(frequency_hz)))
    _, first = np.unique(_bins(frequency_hz)[order], return_index=True)
    kept = np.sort(order[first])
    return frequency_hz[kept], level_db[kept]


def _bins(frequency_hz: np.ndarray) -> np.ndarray:
    position = np.log(frequency_hz / AUDIO_HZ[0]) / np.log(HIGHEST_HZ / AUDIO_HZ[0])
    return np.floor(position * POINTS_MAX)


@house_style
def noise_density(rows: Columns) -> Picture:
    """Draw the noise density of a silent groove, replay equalisation included."""
    figure, axes = panel()
    levels = []
    for channel, mark in NOISE_MARKS.items():
        keep = (rows["channel"] == channel) & (rows["density_fs2_per_hz"] > 0)
        keep &= rows["frequency_hz"] >= DENSITY_FROM_HZ
        x, y = _log_means(rows["frequency_hz"][keep], rows["density_fs2_per_hz"][keep])
        # A full-scale sine has a mean square of one half.
        levels.append(10 * np.log10(2 * y))
        line(axes, x, levels[-1], mark, channel)
    frequency_axis(axes, DENSITY_FROM_HZ, extent(rows["frequency_hz"])[1])
    value_axis(axes, "Density in 1 Hz (dB)", -160, -40, 20, levels)
    key(axes)
    loudest = rows["frequency_hz"][np.argmax(np.nan_to_num(rows["density_fs2_per_hz"]))]
    return Picture(
        "noise-density",
        "Noise of the silent groove",
        "Noise density in dB relative to a full-scale sine in 1 Hz, against frequency, of the "
        f"left and right channel, their sum and difference. Highest near {loudest:.3g} Hz.",
        figure,
        "Relative to a full-scale sine, after replay equalisation, ticks left out. The sum shows "
        "lateral motion, the difference vertical motion.",
    )


def _log_means(frequency_hz: np.ndarray, power: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean frequency and power of equal stretches of the log axis."""
    position = np.log(frequency_hz / DENSITY_FROM_HZ)
    place = np.floor(position / np.log(HIGHEST_HZ / DENSITY_FROM_HZ) * DENSITY_POINTS).astype(int)
    counts = np.bincount(place)
    some = counts > 0
    means = (np.bincount(place, values)[some] / counts[some] for values in (frequency_hz, power))
    x, y = means
    return x, y
