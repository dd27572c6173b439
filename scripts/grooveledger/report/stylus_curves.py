"""The curves of every capture of a stylus, thinned, in one file for its page's script.

A page opened from a disk may not read data files, but it may load a script: the file holds one call
of a function of the page with the curves as JSON.
"""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from grooveledger.report import choice, page
from grooveledger.report.pictures.overlay import AXES
from grooveledger.report.pictures.rows import Columns

Row = Mapping[str, Any]

#: Points of a curve, in equal steps of the log axis: an eighth of an octave at most.
POINTS = 90
#: A file holds this many captures at most, the newest; more would make the page slow to open.
CAPTURES_MOST = 120
#: Decimals of values and frequencies.
PLACES = 3
NAME = "curves.js"


def write(captures_folder: Path, captures: Sequence[Row], path: Path) -> int:
    """Write the curves of a stylus; returns how many captures have any.

    Parameters
    ----------
    captures_folder : Path
        Holds the tables of each capture.
    captures : sequence of mapping
        Rows of the captures, fewest hours first.
    path : Path
        The file, ``report/styli/<stylus>/curves.js``.
    """
    found = []
    for row in captures[-CAPTURES_MOST:]:
        curves = {
            table: {
                channel: thinned(part, column)
                for channel, part in choice.channel_curves(
                    captures_folder, row["capture"], table
                ).items()
            }
            for table, (column, _, _, _) in AXES.items()
        }
        curves = {table: channels for table, channels in curves.items() if channels}
        if curves:
            found.append(
                {
                    "capture": row["capture"],
                    "hours": row["stylus_hours"],
                    "record": f"{row['record']}, {row['side']}",
                    "chain": row["chain"],
                    "curves": curves,
                }
            )
    path.parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps(found, separators=(",", ":"), allow_nan=False)
    page.write_text(path, f"stylusCurves({text});\n")
    return len(found)


def thinned(part: Columns, column: str) -> list[list[float]]:
    """Return measured points of a curve that lie evenly on the log frequency axis."""
    keep = np.isfinite(part[column])
    frequency_hz, values = part["frequency_hz"][keep], part[column][keep]
    if len(values) > POINTS:
        wanted = np.linspace(np.log(frequency_hz[0]), np.log(frequency_hz[-1]), POINTS)
        places = np.unique(np.searchsorted(np.log(frequency_hz), wanted).clip(0, len(values) - 1))
        frequency_hz, values = frequency_hz[places], values[places]
    return [
        [round(float(number), PLACES) for number in numbers] for numbers in (frequency_hz, values)
    ]
