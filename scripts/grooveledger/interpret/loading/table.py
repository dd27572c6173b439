"""What the load does: the network alone, the measured response under other loads, the best one."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from grooveledger.interpret.loading.coils import (
    Pair,
    coils_table,
    find_coils,
    gather,
    measured_curve,
    pair_shape_uncertainty_db,
)
from grooveledger.interpret.loading.prediction import (
    Coil,
    Figures,
    Load,
    half_spread_db,
    load_change_db,
    load_uncertainty_db,
    measured_figures,
    predict,
)
from grooveledger.interpret.response_curves import Curve
from grooveledger.measure.curves import value_at
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.network import Network, level_db, peak, thermal_noise_v, transfer_db
from grooveledger.physics.uncertainty import combine, rectangular
from grooveledger.plan import Cartridge, Chain
from grooveledger.schemas.interpret import LOADING, LOADING_CHECKS

#: IEC 60063: preferred values, series E24; every second is E12, every fourth E6.
E24 = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
    3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
)  # fmt: skip
#: Smallest capacitor worth adding: below it the wiring's own spread is larger (common practice).
LOWEST_ADDED_PF = 10.0
#: Points of the network's own response over the band of its deviation.
MODEL_POINTS = 400
#: A disagreement of twice its standard uncertainty is still agreement (JCGM 100, 6.3.3).
AGREEMENT = 2.0


class LoadingTables(NamedTuple):
    """The tables `loading`, `loading_checks` and `coils`."""

    loading: pd.DataFrame
    checks: pd.DataFrame
    coils: pd.DataFrame


def loading_tables(
    cartridges: Mapping[str, Cartridge],
    chains: Mapping[str, Chain],
    captures: pd.DataFrame,
    response: pd.DataFrame,
    styli: pd.DataFrame,
    settings: Mapping[str, Any],
) -> LoadingTables:
    """Calculate what loads do to every cartridge on every chain.

    Parameters
    ----------
    cartridges, chains : mapping
        The configuration, by id.
    captures, response : DataFrame
        The archive-wide tables.
    styli : DataFrame
        Columns stylus and break_in_hours, the default filled in.
    settings : mapping
        The configuration's block `loading`.

    Returns
    -------
    LoadingTables
        Columns and order as declared in `grooveledger.schemas.interpret`.
    """
    material = gather(chains, captures, response, styli)
    findings = find_coils(cartridges, chains, material, settings)
    parts = []
    for name in sorted(cartridges):
        coil = findings[name].coil
        for chain_name, chain in sorted(chains.items()):
            curve = measured_curve(material, name, chain_name)
            if coil is not None:
                parts.append(_model_rows(name, coil, chain, settings))
            if curve is not None:
                parts.append(_measured_rows(name, coil, chain, curve, settings))
    loading = pd.DataFrame([row for part in parts for row in part], columns=list(LOADING.names))
    checks = [
        row
        for pair in material.pairs
        if pair.first.cartridge in findings
        for row in _check_rows(
            pair,
            chains,
            findings[pair.first.cartridge].coil,
            findings[pair.first.cartridge].inductance_basis,
            settings,
        )
    ]
    return LoadingTables(
        loading.sort_values(list(LOADING.key), ignore_index=True),
        pd.DataFrame(checks, columns=list(LOADING_CHECKS.names)).sort_values(
            list(LOADING_CHECKS.key), ignore_index=True
        ),
        coils_table(cartridges, findings),
    )


def preferred_values(step: int, low: float, high: float) -> np.ndarray:
    """Return the preferred values from `low` to `high`: step 1 is E24, 2 is E12, 4 is E6."""
    decades = range(int(np.floor(np.log10(low))), int(np.floor(np.log10(high))) + 1)
    values = [round(base * 10.0**decade, 10) for decade in decades for base in E24[::step]]
    return np.array([value for value in values if low <= value <= high])


def candidate_loads(chain: Chain, settings: Mapping[str, Any]) -> Load:
    """Return the loads that a person could give a chain, the present one among them.

    Resistances are E12 values about the input's own; capacitances are the chain's own, which can't
    be taken away, and that with an E6 capacitor added.
    """
    resistances = preferred_values(
        2,
        chain.load_ohm * settings["lowest_resistance_ratio"],
        chain.load_ohm * settings["highest_resistance_ratio"],
    )
    resistances = np.unique(np.append(resistances, chain.load_ohm))
    added_pf = preferred_values(4, LOWEST_ADDED_PF, settings["highest_added_pf"])
    load_ohm, load_pf = np.meshgrid(
        resistances, chain.load_pf + np.append(0.0, added_pf), indexing="ij"
    )
    return Load(chain, load_ohm.ravel(), load_pf.ravel())


def recommended(deviation_db: np.ndarray, loads: Load, worthwhile_db: float) -> int | None:
    """Return the place of the load to recommend; None where no deviation is known.

    Of the loads whose deviation is within `worthwhile_db` of the least, the one that changes least:
    fewest parts, then the resistance nearest to the present one, then the smallest capacitor.
    """
    if np.all(np.isnan(deviation_db)):
        return None
    load_ohm, load_pf = np.asarray(loads.load_ohm), np.asarray(loads.load_pf)
    good = np.flatnonzero(deviation_db <= np.nanmin(deviation_db) + worthwhile_db)

    def effort(i: int) -> tuple[int, float, float]:
        turned = abs(float(np.log(load_ohm[i] / loads.chain.load_ohm)))
        added_pf = float(load_pf[i]) - loads.chain.load_pf
        return int(turned > 0.0) + int(added_pf > 0.0), turned, added_pf

    return min(good.tolist(), key=effort)


def parallel_resistor_ohm(wanted_ohm: float, present_ohm: float) -> float | None:
    """Return the E24 resistor that, across the present one, comes nearest to the wanted load.

    None where nothing is to be added, or where a larger load asks for another input resistor.
    """
    if wanted_ohm >= present_ohm:
        return None
    exact_ohm = 1.0 / (1.0 / wanted_ohm - 1.0 / present_ohm)
    values = preferred_values(1, exact_ohm / 1.2, exact_ohm * 1.2)
    return float(values[np.argmin(np.abs(np.log(values / exact_ohm)))])


def _model_rows(
    cartridge: str, coil: Coil, chain: Chain, settings: Mapping[str, Any]
) -> list[dict[str, Any]]:
    loads = candidate_loads(chain, settings)
    network = Network.of(
        coil.inductance_mh,
        coil.resistance_ohm,
        chain,
        loads.load_ohm,
        loads.load_pf,
        coil.loss,
    )
    peaks = peak(network)
    at_20khz = transfer_db(20_000.0, network)
    low_hz, high_hz = settings["deviation_band_hz"]
    frequency_hz = np.geomspace(low_hz, high_hz, MODEL_POINTS)
    columns = network._replace(
        load_ohm=np.asarray(network.load_ohm)[:, np.newaxis],
        load_f=np.asarray(network.load_f)[:, np.newaxis],
    )
    curves = transfer_db(frequency_hz, columns)
    u_db = load_uncertainty_db(np.array([20_000.0]), coil, loads, _capacitance_u(settings))
    figures = [
        Figures(float(height), float(where), float(level), half_spread_db(curve))
        for height, where, level, curve in zip(
            peaks.peak_db, peaks.peak_hz, at_20khz, curves, strict=True
        )
    ]
    return _rows(cartridge, coil, loads, figures, u_db[:, 0], "model", None)


def _measured_rows(
    cartridge: str, coil: Coil | None, chain: Chain, curve: Curve, settings: Mapping[str, Any]
) -> list[dict[str, Any]]:
    band_hz = settings["deviation_band_hz"]
    if coil is None:
        present = Load(chain, np.array([chain.load_ohm]), np.array([chain.load_pf]))
        figures = [measured_figures(curve, band_hz)]
        u_db = np.array([value_at(curve.frequency_hz, curve.uncertainty_db, 20_000.0)])
        return _rows(cartridge, None, present, figures, u_db, "measured", None)
    loads = candidate_loads(chain, settings)
    present = Load(chain, chain.load_ohm, chain.load_pf)
    responses, uncertainties = predict(curve, coil, present, loads, _capacitance_u(settings))
    figures = [
        measured_figures(curve._replace(response_db=response_db), band_hz)
        for response_db in responses
    ]
    u_db = np.array([value_at(curve.frequency_hz, row, 20_000.0) for row in uncertainties])
    best = recommended(
        np.array([found.deviation_db for found in figures]), loads, settings["worthwhile_db"]
    )
    best = _beyond_uncertainty(best, loads, curve, figures, uncertainties, band_hz)
    return _rows(cartridge, coil, loads, figures, u_db, "measured", best)


def _beyond_uncertainty(
    best: int | None,
    loads: Load,
    curve: Curve,
    figures: list[Figures],
    uncertainties: np.ndarray,
    band_hz: Sequence[float],
) -> int | None:
    """Return the load to recommend: the present one where the gain is within its uncertainty.

    What is uncertain in the measured curve is common to both. Half the spread moves by half of what
    the response's ends do, so that its expanded uncertainty is the change's standard one.
    """
    chain = loads.chain
    here = np.flatnonzero((loads.load_ohm == chain.load_ohm) & (loads.load_pf == chain.load_pf))
    if best is None or not len(here):
        return best
    present = int(here[0])
    inside = (curve.frequency_hz >= band_hz[0]) & (curve.frequency_hz <= band_hz[1])
    change_u = np.sqrt(np.maximum(uncertainties[best] ** 2 - curve.uncertainty_db**2, 0.0))
    gain_db = figures[present].deviation_db - figures[best].deviation_db
    return best if gain_db > np.max(change_u[inside], initial=0.0) else present


def _rows(
    cartridge: str,
    coil: Coil | None,
    loads: Load,
    figures: list[Figures],
    uncertainty_db: np.ndarray,
    basis: str,
    best: int | None,
) -> list[dict[str, Any]]:
    chain = loads.chain
    level_change, noise_v, noise_change = _costs(coil, loads)
    rows = []
    for i, found in enumerate(figures):
        load_ohm = float(np.asarray(loads.load_ohm)[i])
        load_pf = float(np.asarray(loads.load_pf)[i])
        rows.append(
            {
                "cartridge": cartridge,
                "chain": chain.chain,
                "load_ohm": load_ohm,
                "load_pf": load_pf,
                **found._asdict(),
                "basis": basis,
                "recommended": i == best,
                "uncertainty_db": uncertainty_db[i],
                "added_pf": load_pf - chain.load_pf,
                "parallel_ohm": parallel_resistor_ohm(load_ohm, chain.load_ohm),
                "level_change_db": level_change[i],
                "noise_uv": noise_v[i] * 1e6,
                "noise_change_db": noise_change[i],
            }
        )
    return rows


def _costs(coil: Coil | None, loads: Load) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the 1 kHz level, thermal noise and noise to signal relative to the present load."""
    if coil is None:
        unknown = np.full(np.shape(loads.load_ohm), np.nan)
        return unknown, unknown, unknown
    values = (coil.inductance_mh, coil.resistance_ohm, loads.chain)
    present = Network.of(*values, loss=coil.loss)
    other = Network.of(*values, loads.load_ohm, loads.load_pf, coil.loss)
    level_change = level_db(other) - level_db(present)
    noise_ratio = thermal_noise_v(other, "iec98") / thermal_noise_v(present, "iec98")
    noise_change = 20.0 * np.log10(noise_ratio) - level_change
    return level_change, thermal_noise_v(other), noise_change


def _check_rows(
    pair: Pair,
    chains: Mapping[str, Chain],
    coil: Coil | None,
    coil_basis: str,
    settings: Mapping[str, Any],
) -> list[dict[str, Any]]:
    first, second = pair
    present, other = (
        Load(chains[played.chain], chains[played.chain].load_ohm, chains[played.chain].load_pf)
        for played in pair
    )
    shape_u_db = pair_shape_uncertainty_db(pair, chains)
    noise_u_db = np.sqrt(2.0) * settings["fit_noise_db"]
    rows = []
    for channel in sorted(set(first.curves) & set(second.curves)):
        row: dict[str, Any] = dict.fromkeys(LOADING_CHECKS.names) | {
            "cartridge": first.cartridge,
            "stylus": first.stylus,
            "channel": channel,
            "capture_from": first.capture,
            "capture_to": second.capture,
            "chain_from": first.chain,
            "chain_to": second.chain,
            "load_ohm_from": present.load_ohm,
            "load_pf_from": present.load_pf,
            "load_ohm_to": other.load_ohm,
            "load_pf_to": other.load_pf,
            "coil_basis": coil_basis,
        }
        high_hz = min(
            first.curves[channel].frequency_hz[-1], second.curves[channel].frequency_hz[-1]
        )
        curve = first.curves[channel].within((REFERENCE_HZ, min(high_hz, 20_000.0)))
        if coil is not None and len(curve.frequency_hz):
            change_db, change_u_db = load_change_db(
                curve.frequency_hz, coil, present, other, _capacitance_u(settings)
            )
            found_db = second.curves[channel].at(curve.frequency_hz).response_db
            off_db = curve.response_db + change_db - found_db
            u_db = combine(change_u_db, shape_u_db, noise_u_db)
            worst = int(np.argmax(np.abs(off_db)))
            rms_db, rms_u_db = (float(np.sqrt(np.mean(part**2))) for part in (off_db, u_db))
            row |= {
                "low_hz": curve.frequency_hz[0],
                "high_hz": curve.frequency_hz[-1],
                "rms_db": rms_db,
                "max_db": off_db[worst],
                "max_hz": curve.frequency_hz[worst],
                "uncertainty_db": rms_u_db,
                "agrees": rms_db <= AGREEMENT * rms_u_db,
            }
        rows.append(row)
    return rows


def _capacitance_u(settings: Mapping[str, Any]) -> float:
    return float(rectangular(settings["capacitance_tolerance_pct"] / 100.0))
