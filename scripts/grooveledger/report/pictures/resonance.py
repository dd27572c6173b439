"""Response of arm and cartridge about their resonance."""

import numpy as np

from grooveledger.report.pictures.axes import (
    decimated,
    frequency_axis,
    joined,
    key,
    line,
    slug,
    value_axis,
)
from grooveledger.report.pictures.rows import Columns, count, groups, sorted_by, where
from grooveledger.report.pictures.style import MARKS, Picture, house_style, panel

#: The octaves about the arm's resonance.
RESONANCE_HZ = (4.0, 40.0)


@house_style
def resonance(rows: Columns, fits: Columns | None, temperature_c: float | None = None) -> Picture:
    """Draw the response of arm and cartridge about their resonance.

    Parameters
    ----------
    rows : mapping
        Rows of `resonance` of one capture.
    fits : mapping, optional
        Rows of `resonance_fit`. A curve that has a fit is drawn relative to the response well above
        resonance; another as it is in its table.
    temperature_c : float, optional
        Of the room, as it was noted.
    """
    figure, axes = panel()
    drawn, spoken, named, fitted = [], [], set(), []
    for (axis, track), part in groups(rows, "axis", "track"):
        name, part = str(axis), sorted_by(part, "frequency_hz")
        fit = {} if fits is None else where(fits, axis=axis, track=track)
        asymptote_db = fit["asymptote_db"][0] if fit and count(fit) else np.nan
        fitted.append(bool(np.isfinite(asymptote_db)))
        x, y = decimated(part["frequency_hz"], part["response_db"] - np.nan_to_num(asymptote_db))
        drawn.append(y)
        line(axes, x, y, MARKS[name], "" if name in named else name, key_name=name)
        named.add(name)
        for resonance_hz, peak_db in (
            zip(fit["resonance_hz"], fit["peak_db"], strict=True) if fitted[-1] else ()
        ):
            upright = axes.axvline(
                resonance_hz, color=MARKS[name].colour, linewidth=0.8, linestyle=":"
            )
            upright.set_gid(f"part.{slug(name)}")
            spoken.append(
                f"{name.capitalize()} resonance at {resonance_hz:.1f} Hz, {peak_db:.1f} dB high."
            )
    frequency_axis(axes, *RESONANCE_HZ)
    value_axis(axes, "Response (dB)", -12, 18, 6, drawn)
    key(axes)
    return Picture(
        "resonance",
        "Arm and cartridge resonance",
        joined(["Response in dB about the low-frequency resonance, against frequency.", *spoken]),
        figure,
        joined(
            [
                "Relative to the response well above resonance, by the fit."
                if all(fitted)
                else "Relative to the response well above resonance where a resonance is fitted, "
                "else to that an octave below the sweep's upper end.",
                "Dotted verticals: fitted resonance." if any(fitted) else "",
                "No temperature was noted; a suspension softens with warmth."
                if temperature_c is None
                else f"Room: {temperature_c:.1f} \N{DEGREE SIGN}C; a suspension softens with "
                "warmth.",
            ]
        ),
    )
