"""What was expected of each capture of a stylus: a file a capture, for the script of its page.

A capture's page is made of its own tables and must not change with every capture that follows, but
what was expected of it comes from all of them. So the page of the stylus writes it, beside itself,
and the page of the capture shows it where its script runs.
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from grooveledger.report import page
from grooveledger.vocabulary import metric_words, words

FOLDER = "expected"
Row = Mapping[str, Any]


def write(captures: Iterable[str], control: Sequence[Row], folder: Path) -> None:
    """Write a file for each capture, also where nothing was expected, and remove others'.

    Parameters
    ----------
    captures : iterable of str
        Ids of the stylus's captures.
    control : sequence of mapping
        Its rows of the table `control`.
    folder : Path
        ``report/styli/<stylus>/expected``.
    """
    folder.mkdir(parents=True, exist_ok=True)
    by_capture: dict[str, list[Row]] = {capture: [] for capture in captures}
    for row in control:
        if row["capture"] in by_capture and row["low"] is not None:
            by_capture[row["capture"]].append(row)
    for path in folder.glob("*.js"):
        if path.stem not in by_capture:
            path.unlink()
    for capture, rows in by_capture.items():
        lines = [line(row) for row in sorted(rows, key=_outside_first)]
        text = json.dumps(lines, separators=(",", ":"))
        page.write_text(folder / f"{capture}.js", f"captureExpected({text});\n")


def line(row: Row) -> list[Any]:
    """Write a row: figure, channel, here, expected, its limits, unit, and whether it is outside."""
    half = (row["high"] - row["low"]) / 2
    places = words.uncertainty_places(half) if half > 0 else words.PLACES.get(row["unit"], 2)
    numbers = [words.rounded(row[name], places) for name in ("value", "centre", "low", "high")]
    return [
        metric_words.metric(row["metric"]),
        row["channel"],
        *numbers[:2],
        f"{numbers[2]} to {numbers[3]}",
        words.unit(row["unit"]),
        is_outside(row),
    ]


def is_outside(row: Row) -> bool:
    """Say whether a figure lies beyond what the other days predict."""
    return not row["low"] <= row["value"] <= row["high"]


def _outside_first(row: Row) -> tuple[bool, int, str]:
    return not is_outside(row), metric_words.order(row["metric"]), row["channel"]
