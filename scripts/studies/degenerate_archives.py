"""Whole archives at the edge of what can be interpreted, on disk, with everything made of them.

The captures, styli and scalars are those of `drift_archives`; here they get curves that are empty,
single points, flat, huge, missing or bounds, data sheets that state anything or nothing, and pass
through all of stage 5: tables, pages, workbook.
"""

from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd

import library_path  # noqa: F401
from drift_archives import degenerate
from grooveledger.export import csv_files, workbook
from grooveledger.export.all_tables import OBSERVATIONS, TABLES
from grooveledger.interpret.arm_match import arm_match_table
from grooveledger.interpret.comparison import comparison_table
from grooveledger.interpret.drift import (
    advice_table,
    analyse_archive,
    control_table,
    drift_table,
    odd_captures_table,
    stylus_states,
)
from grooveledger.interpret.loading.table import loading_tables
from grooveledger.interpret.ratings import ratings_table
from grooveledger.measure.quantities import MEASURES
from grooveledger.plan import Cartridge, Chain
from grooveledger.report import (
    capture_page,
    comparison_page,
    index,
    loading_page,
    stylus_page,
    summary_pictures,
)
from grooveledger.report.pictures import svg
from grooveledger.run.jobs import neighbours
from grooveledger.schemas.capture_metrics import REMARKS
from grooveledger.schemas.table import REAL, TRUTH, WHOLE, Table
from grooveledger.storage import data_frames, tables
from records_as_they_are import defaults

CURVES = ("usual", "none", "point", "flat", "missing", "bounds", "huge", "two", "steep")
#: What each table's points lie along, besides capture, track and channel.
PLACES = {
    "response": "frequency_hz", "separation": "frequency_hz", "distortion": "frequency_hz",
    "spectrum": "frequency_hz", "resonance": "frequency_hz", "tracking_ability": "amplitude_um",
    "speed_trace": "time_s", "noise_density": "frequency_hz",
}  # fmt: skip
CHAIN: dict[str, Any] = {
    "arm_effective_mass_g": 13.0,
    "cable": {"resistance_ohm": 0.3, "inductance_uh": 1.0, "capacitance_pf": 110.0},
    "preamplifier": {
        "input_resistance_ohm": 47000.0, "input_capacitance_pf": 45.0, "gain_db": 40.0,
        "equalisation": "iec98", "response": None,
    },
    "converter": {"full_scale_v_rms": 2.0},
    "swap_channels": False,
    "invert": [],
}  # fmt: skip


def chains() -> dict[str, dict[str, Any]]:
    """Return the chains that captures name, one of them a lighter load."""
    lighter = {**CHAIN["preamplifier"], "input_capacitance_pf": 300.0}
    return {
        "x": {"chain": "x", **CHAIN},
        "y": {"chain": "y", **CHAIN, "preamplifier": lighter},
    }


def cartridge(rng: np.random.Generator, name: str) -> dict[str, Any]:
    """Return a cartridge whose data sheet states anything or nothing."""
    rated = {
        "output_mv": 4.2, "output_velocity_cm_s": 5.0, "output_velocity_measure": "peak",
        "balance_db": 1.5, "separation_db": 25.0, "response_hz": [20, 20_000],
        "response_db": None, "load_ohm": 47_000, "load_pf": [100, 200],
    }  # fmt: skip
    kept = {key: value for key, value in rated.items() if rng.random() < 0.6}
    coil = {"inductance_mh": float(rng.choice([480.0, 0.05])), "resistance_ohm": 750.0}
    return {
        "cartridge": name,
        "principle": "moving_magnet",
        "mass_g": 6.0 if rng.random() < 0.7 else None,
        "coil": coil if rng.random() < 0.7 else None,
        "rated": kept if rng.random() < 0.8 else None,
        "compliance_um_per_mn": {"static": float(rng.choice([2.0, 24.0, 200.0]))},
    }


def table(declared: Table, **columns: Any) -> Any:
    """Return a table whose columns that are not given are null."""
    return tables.build(declared, {name: columns.get(name) for name in declared.names})


def curve(rng: np.random.Generator, declared: Table, capture: str) -> Any:
    """Return a capture's table along a frequency or a time, most of them degenerate."""
    kind = str(rng.choice(CURVES))
    count = {"none": 0, "point": 1, "two": 2}.get(kind, 40)
    if not count:
        return tables.empty(declared)
    place = PLACES[declared.name]
    axis = np.geomspace(20.0, 20_000.0, count) if count > 1 else np.array([1000.0])
    sides = [("axis", ["lateral"])] if "axis" in declared.names else []
    sides = sides or [("channel", ["left", "right"])]
    label, values = sides[0]
    many = len(values) * count
    noise = rng.standard_normal(many)
    filled = {
        "usual": 5.0 + 0.1 * noise, "flat": np.full(many, 1.0), "missing": np.full(many, np.nan),
        "huge": 1e9 * noise, "steep": 1e3 * np.linspace(-1.0, 1.0, many),
    }.get(kind, 3.0 + noise)  # fmt: skip
    columns: dict[str, Any] = {}
    for column in declared.columns:
        if column.type == REAL:
            # Shares, voltages and amplitudes are never below 0.
            is_size = column.unit in ("%", "mV", "um")
            columns[column.name] = np.abs(filled) if is_size else filled
        elif column.type == WHOLE:
            columns[column.name] = 5
        elif column.type == TRUTH:
            columns[column.name] = noise > 0.0 if kind == "bounds" else False
        else:
            columns[column.name] = "x"
    columns |= {"capture": capture, "track": 3, place: np.tile(axis, len(values))}
    columns[label] = np.repeat(values, count)
    if "reference_hz" in columns:
        columns["reference_hz"] = 1000.0 if rng.random() < 0.7 else 315.0
    if "uncertainty_db" in columns:
        columns["uncertainty_db"] = 0.3 if rng.random() < 0.8 else np.nan
    if "bandwidth_hz" in columns:
        columns |= {"bandwidth_hz": np.tile(np.gradient(axis) if count > 1 else 1.0, len(values)),
                    "density_fs2_per_hz": np.abs(filled) * 1e-9}  # fmt: skip
    return tables.build(declared, columns)


def capture_tables(
    rng: np.random.Generator, row: dict[str, Any], scalars: pd.DataFrame
) -> dict[str, Any]:
    """Return every table of a capture by its path below the capture's folder."""
    capture, is_measured = row["capture"], row["status"] != "rejected"
    facts = {name: row.get(name) for name in TABLES["health"].names}
    made = {"health": table(TABLES["health"], **{**facts, "channel_order": "as_named"})}
    made["remarks"] = tables.empty(REMARKS)
    made["tracks"] = tables.empty(TABLES["tracks"])
    if is_measured and rng.random() < 0.8:
        made["tracks"] = table(
            TABLES["tracks"],
            capture=capture,
            track=[3, None],
            kind=["sweep", None],
            match=["found", "unexpected"],
            start_s=[1.0, 9.0],
            stop_s=[8.0, 9.5],
            clipped=[False, False],
        )
    for name in (*MEASURES, *OBSERVATIONS):
        declared = TABLES[name]
        path = f"observations/{name}" if name in OBSERVATIONS else name
        if name in PLACES and is_measured:
            made[path] = curve(rng, declared, capture)
        elif is_measured and "channel" in declared.names and rng.random() < 0.5:
            where = {"frequency_hz": 1000.0} if "frequency_hz" in declared.names else {}
            shared = {"capture": capture, "track": [3, 3], "channel": ["left", "right"], **where}
            made[path] = table(declared, **shared)
        else:
            made[path] = tables.empty(declared)
    declared = TABLES["metrics"]
    own = scalars[scalars["capture"] == capture] if is_measured else scalars.iloc[:0]
    columns = {name: own[name].to_numpy() if name in own else None for name in declared.names}
    made["metrics"] = tables.build(declared, columns) if len(own) else tables.empty(declared)
    return made


def write(seed: int, results: Path) -> dict[str, Any]:
    """Write the tables of one archive's captures; returns what its configuration would hold."""
    rng = np.random.default_rng([seed, 3])
    scalars, captures, styli = degenerate(seed)
    scalars = scalars.drop_duplicates(["capture", "metric", "channel", "track_position"])
    sheet = []
    for row in captures.to_dict("records"):
        plain = {key: None if value != value else value for key, value in row.items()}
        reason = None if row["status"] == "ok" else "something is wrong: capture again"
        plain |= {"file": f"{row['capture']}.flac", "note": None, "reason": reason}
        sheet.append(plain)
    parts: dict[str, list[Any]] = {name: [] for name in ("tracks", *MEASURES, "metrics")}
    for row in sheet:
        for path, made in capture_tables(rng, row, scalars).items():
            name = path.split("/")[-1]
            folder = results / "captures" / row["capture"]
            declared = REMARKS if name == "remarks" else TABLES[name]
            tables.write(declared, made, folder / f"{path}.parquet", {})
            if name in parts:
                parts[name].append(made)
    for name, found in parts.items():
        joined = tables.concat(TABLES[name], found)
        tables.write(TABLES[name], joined, results / f"tables/{name}.parquet", {})
    declared = TABLES["captures"]
    columns = {name: [row.get(name) for row in sheet] for name in declared.names}
    rows = tables.build(declared, columns) if sheet else tables.empty(declared)
    tables.write(declared, rows, results / "tables/captures.parquet", {})
    whole = tables.read(results / "tables/metrics.parquet")
    shared = {name: whole[name] for name in TABLES["budgets"].key}
    budgets = table(TABLES["budgets"], **shared, unit=whole["unit"], repeatability=0.1,
                    repeatability_from=str(rng.choice(["repeats", "default"])))  # fmt: skip
    tables.write(TABLES["budgets"], budgets, results / "tables/budgets.parquet", {})
    usual = float(defaults("drift")["break_in_hours"])
    named = [
        {**row, "note": None, "break_in_hours": usual if own != own else own}
        for row in styli.to_dict("records")
        if (own := row["break_in_hours"]) is not None
    ]
    return {
        "sheet": sheet,
        "styli": {row["stylus"]: row for row in named},
        "cartridges": {name: cartridge(rng, name) for name in sorted(set(styli["cartridge"]))},
    }


def interpret(results: Path, archive: dict[str, Any]) -> list[str]:
    """Make the tables of stage 5; returns the sentences of the styli."""
    folder = results / "tables"

    def read(name: str) -> pd.DataFrame:
        return data_frames.read(folder / f"{name}.parquet")

    styli = pd.DataFrame(list(archive["styli"].values()))
    metrics, captures, response = read("metrics"), read("captures"), read("response")
    settings = {name: defaults(name) for name in ("ratings", "loading")}
    analysis = analyse_archive(metrics, captures, styli, {}, read("budgets"))
    moves = drift_table(metrics, captures, styli, {}, analysis)
    charts = control_table(metrics, captures, styli, {}, analysis)
    odd = odd_captures_table(metrics, captures, styli, {}, analysis)
    states = stylus_states(moves, captures, styli, {}, odd)
    types = {name: Cartridge.from_mapping(one) for name, one in archive["cartridges"].items()}
    loads = {name: Chain.from_mapping(one) for name, one in chains().items()}
    loaded = loading_tables(types, loads, captures, response, styli, settings["loading"])
    made = {
        "drift": moves,
        "control": charts,
        "odd_captures": odd,
        "stylus_states": states,
        "advice": advice_table(moves, charts, captures, styli, {}),
        "loading": loaded.loading,
        "loading_checks": loaded.checks,
        "coils": loaded.coils,
        "arm_match": arm_match_table(types, loads, captures, read("resonance_fit")),
        "ratings": ratings_table(
            captures, response, metrics, read("budgets"), types, loads, settings["ratings"]
        ),
        "comparison": comparison_table(captures, metrics, styli, settings["ratings"]),
    }
    for name, frame in made.items():
        rows = data_frames.rows(TABLES[name], frame)
        tables.write(TABLES[name], rows, folder / f"{name}.parquet", {})
    return [str(sentence) for sentence in states["sentence"]]


def write_pages(results: Path, archive: dict[str, Any]) -> None:
    """Write every page, the pictures that sum up, and the workbook."""
    folder, own, report = results / "tables", results / "captures", results / "report"
    index.write(folder, report / "index.html", archive["styli"])
    for name, stylus in archive["styli"].items():
        stylus_page.write(stylus, folder, own, report / f"styli/{name}.html")
        summary_pictures.write(stylus, folder, own, results / f"figures/{name}")
    for name in archive["cartridges"]:
        page = report / f"loading/{name}.html"
        loading_page.write(name, chains(), archive["styli"], defaults("loading"), folder, page)
    comparison_page.write(
        archive["styli"], chains(), defaults("ratings"), folder, own, report / "comparison.html"
    )
    beside = neighbours(archive["sheet"])
    for row in archive["sheet"][:2]:
        facts = {
            "sheet": row,
            "neighbours": beside[row["capture"]],
            "rpm": 100.0 / 3.0,
            "chain": chains()[row["chain"]],
            "cartridge": archive["cartridges"][row["cartridge"]],
        }
        page = report / f"captures/{row['capture']}.html"
        capture_page.write(facts, own / row["capture"], page)
    paths = sorted(folder.glob("*.parquet"))
    workbook.write(paths, results / "export/archive.xlsx")
    csv_files.write(paths, results / "export/csv")


#: A picture that was drawn up but not turned into a file.
NOT_RENDERED = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 1 1"/>'


def everything(seed: int, results: Path, rendered: bool = True) -> list[str]:
    """Make an archive and all that follows from it; returns the sentences of its styli."""
    archive = write(seed, results)
    said = interpret(results, archive)
    if rendered:
        write_pages(results, archive)
        return said
    with mock.patch.multiple(svg, document=lambda _: NOT_RENDERED, png=lambda _: b""):
        write_pages(results, archive)
    return said
