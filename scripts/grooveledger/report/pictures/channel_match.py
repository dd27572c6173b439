"""How alike the channels are where one modulation drives both: balance and phase."""

import numpy as np
from matplotlib.ticker import NullFormatter

from grooveledger.report.pictures.axes import (
    decimated,
    frequency_axis,
    joined,
    key,
    slug,
    value_axis,
)
from grooveledger.report.pictures.frequency import (
    WIDENED,
    Extent,
    at_octaves,
    curve,
    extent,
    lines_of,
)
from grooveledger.report.pictures.rows import Columns
from grooveledger.report.pictures.style import MARKS, Picture, house_style, panels

REVERSED = "reversed"


@house_style
def channel_match(rows: Columns, tracks: Columns, hz: Extent | None = None) -> Picture:
    """Draw balance and phase of the channels against frequency, each with its noise.

    Parameters
    ----------
    rows : mapping
        Rows of `channel_match` of one capture.
    tracks : mapping
        Its tracks, of which the modulation names the curves.
    hz : tuple of float, optional
        The frequency axis; by default the one that holds the curves.
    """
    modulation = dict(zip(tracks["track"], tracks["modulation"], strict=True))
    named = [str(modulation.get(track) or "both") for track in rows["track"]]
    is_reversed = rows["polarity"] == REVERSED
    # Phases about 180 degrees would jump from one end of the scale to the other.
    phase_deg = np.where(is_reversed, rows["phase_deg"] % 360.0, rows["phase_deg"])
    rows = {**rows, "channel": np.array(named, dtype=object), "phase_deg": phase_deg}
    lines = lines_of(rows)
    figure, (upper, lower) = panels(2, 4.4)
    for axes, column, noise in (
        (upper, "balance_db", "noise_db"),
        (lower, "phase_deg", "phase_noise_deg"),
    ):
        for label, name, part in lines:
            x, y, spread = decimated(part["frequency_hz"], part[column], part[noise])
            band = axes.fill_between(
                x, y - spread, y + spread, color=MARKS[name].colour, alpha=0.15, linewidth=0
            )
            band.set_gid(f"part.{slug(name)}")
            curve(axes, part, column, MARKS[name], label)
        frequency_axis(axes, *(hz or extent(rows["frequency_hz"])))
    upper.set_xlabel("")
    upper.xaxis.set_major_formatter(NullFormatter())
    wide = value_axis(upper, "Balance (dB)", -3, 3, 1, [rows["balance_db"]])
    value_axis(lower, "Phase (\N{DEGREE SIGN})", -40, 40, 20, [phase_deg])
    key(upper)
    return Picture(
        "channel-match",
        "Match of the channels",
        joined(
            [
                "Right channel relative to the left one, balance in dB and phase in degrees, "
                "against frequency.",
                *(at_octaves(label, part, "balance_db", "dB") for label, _, part in lines),
            ]
        ),
        figure,
        joined(
            [
                "Right relative to left, on tracks that drive both channels alike; the band is "
                "one standard uncertainty of noise.",
                "One channel's polarity is reversed: check its connections at the cartridge "
                "before the phase is judged."
                if is_reversed.any()
                else "",
                WIDENED if wide else "",
            ]
        ),
    )
