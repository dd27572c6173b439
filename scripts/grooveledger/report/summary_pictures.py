"""The pictures that sum up a stylus, for a folder of figures and for the workflow's own report."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from grooveledger.report import choice
from grooveledger.report.cards import deciding_figure
from grooveledger.report.grids import chosen, rows_of
from grooveledger.report.pictures.style import signed
from grooveledger.report.pictures.svg import save_with_pixels
from grooveledger.report.stylus_pictures import life, metrics_in_order, trend_of
from grooveledger.storage import tables

#: The trend shown where no figure decides.
USUAL_METRIC = "response_10khz_db"


def write(
    stylus: Mapping[str, Any], tables_folder: Path, captures_folder: Path, folder: Path
) -> None:
    """Write response, separation, distortion and the trend that decides, as SVG and PNG.

    Parameters
    ----------
    stylus : mapping
        Its row of the sheet, with `stylus` and `break_in_hours`.
    tables_folder, captures_folder : Path
        The archive-wide tables, and the folder of those of each capture.
    folder : Path
        Gets ``<stylus>-response-left.svg``, ``.png`` and so on, as far as the captures have them.
    """
    name, break_in_hours = stylus["stylus"], stylus["break_in_hours"] or 0.0
    captures = choice.in_order_of_hours(rows_of(tables_folder / "captures.parquet"), name)
    drift = rows_of(tables_folder / "drift.parquet", stylus=name)
    states = rows_of(tables_folder / "stylus_states.parquet", stylus=name)
    control_rows = rows_of(tables_folder / "control.parquet", stylus=name)
    metrics = tables.columns(chosen(tables_folder / "metrics.parquet", stylus=name))
    folder.mkdir(parents=True, exist_ok=True)
    signature = f"Stylus {name} of {stylus['cartridge']}"
    for kind, picture in life(captures_folder, tables_folder, captures, break_in_hours):
        if kind == "life":
            shown = picture.name.removeprefix("life-")
            save_with_pixels(signed(replace(picture, name=f"{name}-{shown}"), signature), folder)
    found = metrics_in_order(metrics, drift)
    if found:
        decides = deciding_figure(states[0], drift) if states else None
        first = (
            decides["metric"]
            if decides
            else next((metric for metric in found if metric == USUAL_METRIC), found[0])
        )
        picture = trend_of(first, metrics, drift, break_in_hours, control_rows, large=True)
        save_with_pixels(signed(replace(picture, name=f"{name}-trend"), signature), folder)
