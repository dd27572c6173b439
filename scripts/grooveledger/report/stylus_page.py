"""The page of one stylus: its verdict in figures, what decides it, its trends, its whole life."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from grooveledger.report import choice, drawn, expected, page, stylus_curves
from grooveledger.report import stylus_pictures as shown
from grooveledger.report.cards import card
from grooveledger.report.grids import chosen, rows_of
from grooveledger.report.mentions import linker
from grooveledger.report.stylus_tables import captures_grid, drift_grid
from grooveledger.schemas.states import MOVING, Verdict
from grooveledger.storage import tables

Row = Mapping[str, Any]


def write(stylus: Row, tables_folder: Path, captures_folder: Path, path: Path) -> None:
    """Write the page of a stylus, with its pictures and curves in a folder of its name beside it.

    Parameters
    ----------
    stylus : mapping
        Its row of the sheet, with `stylus` and `break_in_hours`.
    tables_folder : Path
        The archive-wide tables.
    captures_folder : Path
        Holds the tables of each capture.
    path : Path
        The page, ``report/styli/<stylus>.html``.
    """
    name, break_in_hours = stylus["stylus"], stylus["break_in_hours"] or 0.0
    sheet = rows_of(tables_folder / "captures.parquet")
    captures = [row for row in sheet if row["stylus"] == name]
    drift = rows_of(tables_folder / "drift.parquet", stylus=name)
    (state,) = rows_of(tables_folder / "stylus_states.parquet", stylus=name)
    advice = rows_of(tables_folder / "advice.parquet", stylus=name)
    control_rows = rows_of(tables_folder / "control.parquet", stylus=name)
    own = sorted(captures, key=lambda row: (row["captured_at"] or "", row["capture"]), reverse=True)
    metrics = tables.columns(chosen(tables_folder / "metrics.parquet", stylus=name))
    linked = linker({row["capture"] for row in sheet}, "../")
    facts = card(stylus, state, drift, own, advice)
    decides = facts["deciding"]["metric"] if facts["deciding"] else None
    in_order = choice.in_order_of_hours(captures, name)

    moving = {row["metric"] for row in drift if row["verdict"] in MOVING}
    sections: dict[str, list[Any]] = {
        key: [] for key in ("deciding", "moving", "still", "others", "surprises", "life", "change")
    }
    for metric in shown.metrics_in_order(metrics, drift):
        large = metric == decides
        picture = shown.trend_of(metric, metrics, drift, break_in_hours, control_rows, large)
        if large:
            section = "deciding"
        elif not shown.is_of_stylus(metric):
            section = "others"
        else:
            section = "moving" if metric in moving else "still"
        sections[section].append(picture)
    sections["surprises"] = list(shown.surprises(control_rows))
    for section, picture in shown.life(captures_folder, tables_folder, in_order, break_in_hours):
        sections[section].append(picture)

    folder = path.with_name(path.stem)
    signature = f"Stylus {name} of {stylus['cartridge']}"
    saved = drawn.pictures(
        [item for items in sections.values() for item in items], folder, signature, linked
    )
    ends = iter(saved)
    placed = {section: [next(ends) for _ in items] for section, items in sections.items()}
    expected.write((row["capture"] for row in own), control_rows, folder / expected.FOLDER)
    comparable = stylus_curves.write(captures_folder, in_order, folder / stylus_curves.NAME)
    page.write(
        "stylus.html",
        path,
        depth=1,
        card=facts,
        note=stylus.get("note"),
        linked=linked,
        advice=advice,
        pictures=placed,
        drift=drift_grid(drift, facts["hours_now"], own),
        captures=captures_grid(own, linked),
        comparable=comparable,
        curves=f"{path.stem}/{stylus_curves.NAME}",
        # Of too few captures nobody knows what moves.
        fitted=any(row["verdict"] != Verdict.TOO_FEW for row in drift),
    )
