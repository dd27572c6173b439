"""What load and arm do to a cartridge: other loads and what they cost, the arms that suit it."""

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from grooveledger.interpret.loading.coils import Material, gather
from grooveledger.interpret.loading.prediction import Coil, Load, load_uncertainty_db, predict
from grooveledger.interpret.response_curves import Curve, mean_curve, responses
from grooveledger.physics.network import Network, transfer_db
from grooveledger.physics.uncertainty import rectangular
from grooveledger.plan import Chain
from grooveledger.report import drawn, page
from grooveledger.report.arm_words import ARM_FIELDS, sentences
from grooveledger.report.grids import Field, amount, chosen, grid, rows_of
from grooveledger.report.pictures.arm_match import arm_match
from grooveledger.report.pictures.overlay import overlay
from grooveledger.report.pictures.rows import Columns
from grooveledger.report.pictures.style import Picture
from grooveledger.storage import tables
from grooveledger.vocabulary import words

Row = Mapping[str, Any]

#: Frequencies of a model's curve.
MODEL_HZ = np.geomspace(20.0, 48_000.0, 300)
#: The loads drawn are this many at most: the present one, the recommended one, and far ones.
LOADS_DRAWN = 5
BASES = {"model": "The electrical network alone", "measured": "From the measured response"}
NOTES = {
    "measured": "Mean of both channels of the first captures after break-in, the load's part "
    "replaced; relative to 1 kHz. The present load's line is as measured. A band is one standard "
    "uncertainty: of the measurement, and of what another load would change.",
    "model": "Coil, cable and input alone; relative to 1 kHz. A band is one standard uncertainty.",
}
LOAD_FIELDS = (
    Field("Resistance (k\N{GREEK CAPITAL LETTER OMEGA})", lambda row: _kiloohm(row["load_ohm"])),
    Field("Capacitance in all (pF)", lambda row: words.number(row["load_pf"], 0)),
    Field("To add (pF)", lambda row: words.number(row["added_pf"], 0)),
    Field(
        "To fit across (k\N{GREEK CAPITAL LETTER OMEGA})", lambda row: _kiloohm(row["parallel_ohm"])
    ),
    amount("peak_db", "Peak", "dB", signed=True),
    amount("peak_hz", "Peak at", "Hz"),
    amount("db_at_20khz", "At 20 kHz", "dB", signed=True),
    amount("uncertainty_db", "Uncertainty there", "dB"),
    amount("deviation_db", "Half the spread", "dB"),
    amount("level_change_db", "Level", "dB", signed=True),
    amount("noise_change_db", "Noise to signal", "dB", signed=True),
    Field("", lambda row: _remark(row), numeric=False),
)
CHECK_FIELDS = (
    Field("Stylus", lambda row: row["stylus"], numeric=False),
    Field("Channel", lambda row: row["channel"], numeric=False),
    Field("From", lambda row: row["chain_from"], numeric=False),
    Field("To", lambda row: row["chain_to"], numeric=False),
    amount("rms_db", "Disagreement, rms", "dB"),
    amount("max_db", "Largest", "dB", signed=True),
    amount("max_hz", "Largest at", "Hz"),
    amount("uncertainty_db", "Its uncertainty", "dB"),
    Field("Agrees", lambda row: {True: "yes", False: "no"}.get(row["agrees"], words.NONE)),
)


def write(
    cartridge: str,
    chains: Mapping[str, Mapping[str, Any]],
    styli: Mapping[str, Row],
    settings: Mapping[str, Any],
    tables_folder: Path,
    path: Path,
) -> None:
    """Write the page of a cartridge's loads and arms, its pictures in a folder beside it.

    Parameters
    ----------
    cartridge : str
        Its id.
    chains, styli : mapping
        The configuration, by id.
    settings : mapping
        The configuration's block `loading`.
    tables_folder : Path
        The archive-wide tables.
    path : Path
        The page, ``report/loading/<cartridge>.html``.
    """
    views = {name: Chain.from_mapping(chain) for name, chain in chains.items()}
    rows = [
        {
            **row,
            "present": _is_present(row, views[row["chain"]]),
            "raised": row["load_ohm"] > views[row["chain"]].load_ohm,
        }
        for row in rows_of(tables_folder / "loading.parquet", cartridge=cartridge)
    ]
    coils = rows_of(tables_folder / "coils.parquet", cartridge=cartridge)
    curves = _measured_curves(cartridge, views, styli, tables_folder)
    coil = _coil(coils[0]) if coils else None
    arm_rows = chosen(tables_folder / "arm_match.parquet", cartridge=cartridge)
    arms = arm_rows.to_pylist()
    masses = {name: chain.arm_effective_mass_g for name, chain in views.items()}
    drawings = [
        *_pictures(rows, views, coil, curves, settings),
        *([arm_match(tables.columns(arm_rows), masses)] if arms else []),
    ]
    pictures = drawn.pictures(drawings, path.with_name(path.stem), f"Cartridge {cartridge}")
    loads = len(pictures) - bool(arms)
    page.write(
        "loading.html",
        path,
        depth=1,
        cartridge=cartridge,
        coil=coils[0] if coils else None,
        pictures=pictures[:loads],
        arm_pictures=pictures[loads:],
        arm_sentences=sentences(arms),
        arms=grid(arms, ARM_FIELDS),
        recommended=[row for row in rows if row["recommended"]],
        kiloohm=_kiloohm,
        grids=[
            (chain, BASES[basis], grid(own, LOAD_FIELDS))
            for chain in views
            for basis in ("measured", "model")
            if (own := [r for r in rows if (r["chain"], r["basis"]) == (chain, basis)])
        ],
        checks=grid(
            rows_of(tables_folder / "loading_checks.parquet", cartridge=cartridge),
            CHECK_FIELDS,
        ),
    )


def _kiloohm(ohm: float | None) -> str:
    return words.NONE if ohm is None else f"{ohm / 1000:.4g}"


def _is_present(row: Row, chain: Chain) -> bool:
    return bool(row["load_ohm"] == chain.load_ohm and row["load_pf"] == chain.load_pf)


def _remark(row: Row) -> str:
    remarks = [
        text
        for text, true in (("present", row["present"]), ("flattest", row["recommended"]))
        if true
    ]
    return ", ".join(remarks) or words.NONE


def _coil(row: Row) -> Coil | None:
    """Return the coil values in use, with relative uncertainties; None where they are unknown."""
    inductance_mh, resistance_ohm = row["inductance_mh"], row["resistance_ohm"]
    if inductance_mh is None or resistance_ohm is None:
        return None
    coil = Coil(
        inductance_mh,
        (row["inductance_uncertainty_mh"] or 0.0) / inductance_mh,
        resistance_ohm,
        (row["resistance_uncertainty_ohm"] or 0.0) / resistance_ohm,
    )
    if row["loss_uncertainty"] is None:
        return coil
    return coil._replace(loss=row["loss"], loss_u=row["loss_uncertainty"])


def _measured_curves(
    cartridge: str,
    chains: Mapping[str, Chain],
    styli: Mapping[str, Row],
    folder: Path,
) -> dict[str, Curve]:
    """Return the cartridge's mean response on each chain, of the captures behind the table."""
    own = chosen(folder / "captures.parquet", cartridge=cartridge).to_pandas()
    response = responses(folder / "response.parquet", own["capture"])
    material: Material = gather(
        chains,
        own,
        response,
        pd.DataFrame(list(styli.values())),
    )
    by_chain: dict[str, list[Curve]] = {}
    for played in material.first:
        by_chain.setdefault(played.chain, []).append(played.curve)
    return {name: mean_curve(found) for name, found in by_chain.items()}


def drawn_loads(rows: Sequence[Row]) -> list[Row]:
    """Choose the loads to draw of one chain and basis: present, recommended, and the far ends."""
    present = [row for row in rows if row["present"]]
    best = [row for row in rows if row["recommended"]]
    corner = sorted(rows, key=lambda row: (row["load_ohm"], row["load_pf"]))
    if present:
        same_ohm = [row for row in corner if row["load_ohm"] == present[0]["load_ohm"]]
        same_pf = [row for row in corner if row["load_pf"] == present[0]["load_pf"]]
        corner = [*same_ohm[-1:], *same_pf[:1], *same_pf[-1:]]
    chosen: list[Row] = []
    for row in (*present, *best, *corner):
        if row not in chosen:
            chosen.append(row)
    return chosen[:LOADS_DRAWN]


def _pictures(
    rows: Sequence[Row],
    chains: Mapping[str, Chain],
    coil: Coil | None,
    curves: Mapping[str, Curve],
    settings: Mapping[str, Any],
) -> Iterator[Picture]:
    if coil is None:
        return
    capacitance_u = float(rectangular(settings["capacitance_tolerance_pct"] / 100))
    for name, chain in chains.items():
        for basis, note in NOTES.items():
            loads = drawn_loads([r for r in rows if (r["chain"], r["basis"]) == (name, basis)])
            if not loads or (basis == "measured" and name not in curves):
                continue
            lines = []
            for row in loads:
                load = Load(chain, row["load_ohm"], row["load_pf"])
                curve = (
                    _model(coil, load, capacitance_u)
                    if basis == "model"
                    else _predicted(curves[name], coil, load, capacitance_u)
                )
                lines.append((_load_label(row), curve))
            yield overlay(f"{basis}-{name}", f"{BASES[basis]}, on {name}", "response", lines, note)


def _load_label(row: Row) -> str:
    label = f"{_kiloohm(row['load_ohm'])} k\N{GREEK CAPITAL LETTER OMEGA}, {row['load_pf']:.0f} pF"
    return label if _remark(row) == words.NONE else f"{label} ({_remark(row)})"


def _model(coil: Coil, load: Load, capacitance_u: float) -> Columns:
    network = Network.of(
        coil.inductance_mh,
        coil.resistance_ohm,
        load.chain,
        load.load_ohm,
        load.load_pf,
        coil.loss,
    )
    return {
        "frequency_hz": MODEL_HZ,
        "response_db": transfer_db(MODEL_HZ, network),
        "band_db": load_uncertainty_db(MODEL_HZ, coil, load, capacitance_u),
    }


def _predicted(curve: Curve, coil: Coil, load: Load, capacitance_u: float) -> Columns:
    present = Load(load.chain, load.chain.load_ohm, load.chain.load_pf)
    response_db, u_db = predict(curve, coil, present, load, capacitance_u)
    return {
        "frequency_hz": curve.frequency_hz,
        "response_db": response_db,
        "band_db": u_db,
    }
