"""The archive-wide tables of the invented captures, and all of them written as a run does."""

from pathlib import Path
from typing import Any

import pandas as pd
import yaml

from grooveledger.export.all_tables import TABLES
from grooveledger.interpret.arm_match import arm_match_table
from grooveledger.interpret.comparison import comparison_table
from grooveledger.interpret.drift import advice_table, control_table, stylus_states
from grooveledger.interpret.loading.table import loading_tables
from grooveledger.plan import Cartridge, Chain
from grooveledger.storage import data_frames, tables
from make_tables import (
    CARTRIDGES,
    CHAIN,
    STYLI,
    capture_tables,
    health,
    metrics_table,
    sheet_rows,
    table,
)

COMPARED = {"comparison_hours": 100.0}


def _defaults(block: str) -> dict[str, Any]:
    path = Path(__file__).parents[2] / "workflow" / "schemas" / "blocks" / f"{block}.yaml"
    schema = yaml.safe_load(path.read_text(encoding="utf-8"))
    return {name: entry["default"] for name, entry in schema["properties"].items()}


LOADING = _defaults("loading")


def write_archive(
    results: Path, captures: int = 30, curves: bool = True, light: tuple[str, ...] = ()
) -> list[dict[str, Any]]:
    """Write an archive's tables as the workflow does; returns the sheet's rows.

    Without `curves` only the archive-wide scalars; the captures in `light` have few tables.
    """
    rows = sheet_rows(captures)
    parts: dict[str, list[Any]] = {}
    for row in rows:
        made = (
            capture_tables(row, row["capture"] in light)
            if curves
            else {"metrics": metrics_table(row)}
        )
        for name, part in made.items():
            if curves:
                _write(part, name, results / "captures" / row["capture"] / f"{name}.parquet")
            if "/" not in name and name != "health":
                parts.setdefault(name, []).append(part)
    for name, found in parts.items():
        _write(tables.concat(TABLES[name], found), name, results / "tables" / f"{name}.parquet")
    facts = [{**row, **health(row)} for row in rows]
    columns = TABLES["captures"].names
    made = {
        "captures": table("captures", **{c: [fact[c] for fact in facts] for c in columns}),
        "drift": drift_table(),
        "ratings": ratings_table(),
        "budgets": budgets_table(tables.concat(TABLES["metrics"], parts["metrics"])),
    }
    made |= judged(results / "tables", made["captures"], made["drift"])
    if curves:
        made |= interpreted(results / "tables", made["captures"])
    for name, part in made.items():
        _write(part, name, results / "tables" / f"{name}.parquet")
    return rows


def _write(rows: Any, name: str, path: Path) -> None:
    tables.write(TABLES[name.split("/")[-1]], rows, path, {})


def drift_table() -> Any:
    """A drift table in which `worn` moves."""
    text = """
        stylus metric channel unit baseline_value slope_per_100h slope_low slope_high \\
            limit_value hours_at_limit hours_at_limit_low hours_at_limit_high verdict
        worn response_10khz_db left dB -0.3 -0.7 -0.8 -0.6 -2.3 405.7 380 440 drifting
        worn response_10khz_db right dB -0.5 -0.7 -0.8 -0.6 -2.5 405.7 380 - drifting
        worn separation_1khz_db left dB 27.0 -2.0 -2.2 -1.8 21.0 400.0 390 430 past_limit
        worn thd_10khz_pct left % 5.0 1.6 1.4 1.8 7.5 - - - confounded
        worn output_mv left mV 3.1 0.001 -0.01 0.01 2.5 - - - steady
        worn output_mv right mV 3.0 0.001 -0.01 0.01 2.4 - - - steady
        worn balance_db both dB -0.3 0.001 -0.01 0.01 -2.3 - - - steady
        worn resonance_lateral_hz lateral Hz 9.0 0.001 -0.01 0.01 - - - - steady
        settled response_10khz_db left dB -0.3 0.01 -0.1 0.1 -2.3 - - - steady
        fresh response_10khz_db left dB - - - - - - - - too_few
    """
    names, *lines = (line.split() for line in text.replace("\\\n", "").split("\n") if line.strip())
    lines = [[*line[:4], *map(_maybe, line[4:12]), line[12]] for line in lines]
    columns: dict[str, Any] = dict(zip(names, map(list, zip(*lines, strict=True)), strict=True))
    count = len(lines)
    return table(
        "drift",
        **columns,
        cartridge=[STYLI[name][0] for name in columns["stylus"]],
        n=[9] * count,
        hours_first=[STYLI[name][1] for name in columns["stylus"]],
        hours_last=[STYLI[name][1] + 9 * STYLI[name][2] for name in columns["stylus"]],
        p_trend=[0.001] * count,
        residual_sd=[0.05] * count,
        repeatability_sd=[0.05] * count,
        change_at_hours=[None, 250.0] + [None] * (count - 2),
        change_value=[None, -0.2] + [None] * (count - 2),
        baseline_hours=[STYLI[name][1] for name in columns["stylus"]],
        confounded_with=[None, None, None, "record_plays"] + [None] * (count - 4),
    )


def _maybe(text: str) -> float | None:
    return None if text == "-" else float(text)


def judged(folder: Path, captures: Any, drift: Any) -> dict[str, Any]:
    """States, control charts and advice, as the library works them out."""
    metrics = data_frames.read(folder / "metrics.parquet")
    sheet, moves, frame = captures.to_pandas(), drift.to_pandas(), pd.DataFrame(styli().values())
    charts = control_table(metrics, sheet, frame, {})
    made = {
        "stylus_states": stylus_states(moves, sheet, frame, {}),
        "control": charts,
        "advice": advice_table(moves, charts, sheet, frame, {}),
    }
    return {name: data_frames.rows(TABLES[name], found) for name, found in made.items()}


def interpreted(folder: Path, captures: Any) -> dict[str, Any]:
    """Loading and comparison, as the library works them out."""
    names = ("response", "metrics")
    response, metrics = (data_frames.read(folder / f"{name}.parquet") for name in names)
    sheet = captures.to_pandas()
    styli_frame = pd.DataFrame(list(styli().values()))
    made = loading_tables(
        {name: Cartridge.from_mapping(mapping) for name, mapping in CARTRIDGES.items()},
        {"bench": Chain.from_mapping(CHAIN)},
        sheet,
        response,
        styli_frame,
        LOADING,
    )
    frames_made = {
        "loading": made.loading,
        "loading_checks": made.checks,
        "coils": made.coils,
        "arm_match": arm_match_table(
            {name: Cartridge.from_mapping(mapping) for name, mapping in CARTRIDGES.items()},
            {"bench": Chain.from_mapping(CHAIN)},
            sheet,
            data_frames.read(folder / "resonance_fit.parquet"),
        ),
        "comparison": comparison_table(sheet, metrics, styli_frame, COMPARED),
    }
    return {name: data_frames.rows(TABLES[name], found) for name, found in frames_made.items()}


def budgets_table(metrics: Any) -> Any:
    """Budgets of the archive's figures: a repeatability of a tenth, and nothing else."""
    shared = {name: metrics.column(name) for name in TABLES["budgets"].key}
    return table("budgets", **shared, unit=metrics.column("unit"), repeatability=0.1)


def ratings_table() -> Any:
    """One figure that meets its sheet, one that misses, one that no one rated."""
    return table(
        "ratings",
        cartridge="mm-one",
        stylus="worn",
        capture="c0000",
        quantity=["output_mv", "separation_1khz_db", "response_db"],
        channel="left",
        rated=[4.2, 24.0, None],
        measured=[4.1, 19.0, 0.8],
        uncertainty=[0.1, 0.3, 0.4],
        unit=["mV", "dB", "dB"],
        verdict=["meets", "misses", None],
        note=["", "", "the sheet gives no deviation"],
    )


def styli() -> dict[str, dict[str, Any]]:
    """The styli as the configuration gives them."""
    return {
        name: {
            "stylus": name,
            "cartridge": cartridge,
            "fitted_on": "2023-11-05",
            "hours_at_fitting": 0.0,
            "break_in_hours": 30.0,
            "note": None,
        }
        for name, (cartridge, _, _) in STYLI.items()
    }
