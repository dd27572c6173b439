"""The pictures that sum up a stylus, for a folder of figures and for the workflow's own report."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from grooveledger.report import choice
from grooveledger.report.grids import chosen, rows_of
from grooveledger.report.pictures.style import save
from grooveledger.report.stylus_page import PRESSING, life, metrics_in_order, trend_of
from grooveledger.storage import tables
from grooveledger.vocabulary import metric_words

#: The trend shown where nothing is pressing.
USUAL_METRIC = "response_10khz_db"


def write(
    stylus: Mapping[str, Any], tables_folder: Path, captures_folder: Path, folder: Path
) -> None:
    """Write response, separation, distortion and the most pressing trend, as SVG and PNG.

    Parameters
    ----------
    stylus : mapping
        Its row of the sheet, with `stylus` and `break_in_hours`.
    tables_folder, captures_folder : Path
        The archive-wide tables, and the folder of those of each capture.
    folder : Path
        Gets ``<stylus>-response.svg``, ``.png`` and so on, as far as the captures tell.
    """
    name, break_in_hours = stylus["stylus"], stylus["break_in_hours"] or 0.0
    captures = choice.in_order_of_hours(rows_of(tables_folder / "captures.parquet"), name)
    drift = rows_of(tables_folder / "drift.parquet", stylus=name)
    metrics = tables.columns(chosen(tables_folder / "metrics.parquet", stylus=name))
    folder.mkdir(parents=True, exist_ok=True)
    for picture in life(captures_folder, captures, break_in_hours):
        shown = picture.name.removeprefix("life-")
        save(replace(picture, name=f"{name}-{shown}"), folder)
    found = metrics_in_order(metrics)
    if found:
        first = min(found, key=lambda metric: (_rank(metric, drift), metric_words.order(metric)))
        picture = trend_of(first, metrics, drift, break_in_hours)
        save(replace(picture, name=f"{name}-trend"), folder)


def _rank(metric: str, drift: list[dict[str, Any]]) -> int:
    ranks = [
        PRESSING.index(row["verdict"])
        for row in drift
        if row["metric"] == metric and row["verdict"] in PRESSING
    ]
    return min(ranks, default=len(PRESSING) + (metric != USUAL_METRIC))
