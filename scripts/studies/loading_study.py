"""Simulation study of the loading analysis: what it says of other loads against what is true.

    python scripts/studies/loading_study.py                        200 cartridges of each kind
    python scripts/studies/loading_study.py --cartridges 20 --seed 2 --draw greater

Coils are drawn with losses of laws that the program does not fit: eddy currents in the sheets of a
core, or a reactance that rises with a power of frequency and a ladder of two resistors; solved node
by node, and tip mass on the groove comes on top. Their responses carry noise; each chain's own
capacitance is up to 10 % off its description; data sheets are up to 10 % off, one of ten has a
resistance three times too small. Tables go through the functions of the workflow.
"""

import argparse
from collections import Counter
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import yaml

import library_path  # noqa: F401
from grooveledger.interpret.loading.coils import find_coils, gather
from grooveledger.interpret.loading.fit import mechanical_db
from grooveledger.interpret.loading.prediction import Load, half_spread_db, load_change_db
from grooveledger.interpret.loading.table import loading_tables
from grooveledger.physics.uncertainty import rectangular
from grooveledger.plan import Cartridge, Chain

FREQUENCY_HZ = 1000.0 * 2.0 ** (np.arange(-12, 106) / 24.0)
ASKED_HZ = np.array([5_000.0, 10_000.0, 15_000.0, 20_000.0])
STYLI = pd.DataFrame({"stylus": ["s1"], "break_in_hours": [30.0]})
NOISE_DB = 0.05
#: What is known beforehand: captures under two loads or one, the coil on the sheet or not.
KINDS = ("two loads, sheet", "two loads, no sheet", "one load, sheet")


class CoilRanges(NamedTuple):
    """What coils and chains are drawn from.

    Attributes
    ----------
    power : tuple of float
        Power of frequency with which the reactance rises, from and to: 1 is an inductance, 1/2 eddy
        currents in a solid core.
    loss : tuple of float
        Reactance at 10 kHz over each rung's resistance, from and to.
    eddy : tuple of float
        Of coils with a core of sheets, 10 kHz over the frequency from which on the field no longer
        fills them, from and to.
    capacitance_off : float
        Part by which a chain's own capacitance may be off its description.
    """

    power: tuple[float, float]
    loss: tuple[float, float]
    eddy: tuple[float, float]
    capacitance_off: float


DRAWS = {
    "moderate": CoilRanges((0.96, 1.0), (0.01, 0.3), (0.02, 1.0), 0.1),
    "as described": CoilRanges((0.96, 1.0), (0.01, 0.3), (0.02, 1.0), 0.0),
    "greater": CoilRanges((0.85, 1.0), (0.01, 0.6), (0.02, 2.0), 0.1),
}


class TrueCoil(NamedTuple):
    """A true cartridge: coil in H and ohm, its losses, and the tip's resonance.

    Without `eddy`, `power` and `loss` hold.
    """

    inductance_h: float
    resistance_ohm: float
    power: float
    loss: float
    eddy: float
    tip_hz: float
    tip_q: float


def draw(rng: np.random.Generator, drawn: CoilRanges) -> TrueCoil:
    """Draw a cartridge; every other coil, on average, has a core of sheets."""
    has_sheets = rng.uniform() < 0.5
    return TrueCoil(
        rng.uniform(0.3, 0.7),
        rng.uniform(400.0, 1300.0),
        rng.uniform(*drawn.power),
        rng.uniform(*drawn.loss),
        rng.uniform(*drawn.eddy) if has_sheets else 0.0,
        rng.uniform(14_000.0, 35_000.0),
        rng.uniform(0.8, 3.0),
    )


def true_db(
    world: TrueCoil, chain: Chain, frequency_hz: np.ndarray, load_ohm: float, load_pf: float
) -> np.ndarray:
    """Return the electrical response relative to 1 kHz by a nodal analysis, dB."""
    hz = np.append(1000.0, frequency_hz)
    s = 2j * np.pi * hz
    inductance = world.inductance_h + chain.cable_inductance_uh * 1e-6
    reactance = 2j * np.pi * 1e3 * inductance * (1j * hz / 1e3) ** world.power / 1j
    rung = 2.0 * np.pi * 1e4 * inductance / world.loss
    # Two rungs: a resistor over all of the coil, and one over its inner half.
    inner = 1.0 / (1.0 / (0.5 * reactance) + 1.0 / rung)
    branch = 1.0 / (0.5 * reactance + inner) + 0.5 / rung
    if world.eddy:
        # The classical field in a sheet: tanh(z) / z with z^2 as the frequency.
        z = np.sqrt(1j * world.eddy * hz / 1e4)
        branch = 1.0 / (s * inductance * np.tanh(z) / z)
    series = np.full(hz.shape, 1.0 / (world.resistance_ohm + chain.cable_resistance_ohm))
    nodes = np.empty((len(hz), 2, 2), dtype=complex)
    nodes[:, 0, 0], nodes[:, 0, 1], nodes[:, 1, 0] = branch + series, -series, -series
    nodes[:, 1, 1] = series + 1.0 / load_ohm + s * load_pf * 1e-12
    driven = np.stack([branch, np.zeros(len(hz))], axis=1)[..., np.newaxis]
    level_db = 20.0 * np.log10(np.abs(np.linalg.solve(nodes, driven)[:, 1, 0]))
    return np.asarray(level_db[1:] - level_db[0])


def chain_of(name: str, load_ohm: float, load_pf: float) -> Chain:
    """Make a chain of a load."""
    return Chain(name, 12.0, 0.5, 2.0, load_pf - 50.0, load_ohm, 50.0, 40.0, "iec98", 2.0)


def played(
    rng: np.random.Generator, world: TrueCoil, chain: Chain, true_pf: float | None = None
) -> pd.DataFrame:
    """Return the response rows of a capture named as its chain, whose capacitance may be another.

    `true_pf` is the capacitance in all; None where it is as described.
    """
    load_pf = chain.load_pf if true_pf is None else true_pf
    response_db = true_db(world, chain, FREQUENCY_HZ, chain.load_ohm, load_pf)
    response_db = response_db + mechanical_db(FREQUENCY_HZ, world.tip_hz, world.tip_q)
    return pd.concat(
        pd.DataFrame(
            {
                "capture": chain.chain,
                "track": 3,
                "channel": channel,
                "frequency_hz": FREQUENCY_HZ,
                "response_db": response_db + NOISE_DB * rng.normal(size=len(FREQUENCY_HZ)),
                "reference_hz": 1000.0,
                "uncertainty_db": 0.6,
                "limited": False,
            }
        )
        for channel in ("left", "right")
    )


def captures_of(chains: dict[str, Chain]) -> pd.DataFrame:
    """Return one capture on each chain, of one stylus and record side."""
    return pd.DataFrame(
        [
            {
                "capture": name,
                "stylus": "s1",
                "cartridge": "one",
                "stylus_hours": 40.0 + i,
                "record": "r",
                "side": "a",
                "chain": name,
                "status": "ok",
            }
            for i, name in enumerate(chains)
        ]
    )


def study(
    kind: str, cartridges: int, seed: int, settings: dict[str, Any], drawn: CoilRanges
) -> dict[str, Any]:
    """Return the shares within U, median U in dB, and counts of states and of wrong advice."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    within: dict[str, list[bool]] = {"capacitance": [], "resistance": []}
    wide: dict[str, list[float]] = {"capacitance": [], "resistance": []}
    states: Counter[str] = Counter()
    wrong = changed = 0
    capacitance_u = float(rectangular(settings["capacitance_tolerance_pct"] / 100.0))
    for _ in range(cartridges):
        world = draw(rng, drawn)
        chains = {"bench": chain_of("bench", 47_000.0, rng.uniform(120.0, 250.0))}
        if kind.startswith("two"):
            other_ohm = rng.choice([15_000.0, 47_000.0, 100_000.0])
            other_pf = chains["bench"].load_pf + rng.uniform(100.0, 300.0)
            chains["desk"] = chain_of("desk", float(other_ohm), float(other_pf))
        sheet = kind.endswith(", sheet")
        wrong_ohm = 1.0 / 3.0 if rng.uniform() < 0.1 else 1.0
        cartridge = Cartridge(
            "one",
            "moving_magnet",
            coil_inductance_mh=1e3 * world.inductance_h * rng.uniform(0.9, 1.1) if sheet else None,
            coil_resistance_ohm=world.resistance_ohm * wrong_ohm * rng.uniform(0.9, 1.1)
            if sheet
            else None,
        )
        off = drawn.capacitance_off
        true_pf = {name: chains[name].load_pf * rng.uniform(1 - off, 1 + off) for name in chains}
        responses = pd.concat(
            played(rng, world, chain, true_pf[name]) for name, chain in chains.items()
        )
        captures = captures_of(chains)
        material = gather(chains, captures, responses, STYLI)
        finding = find_coils({"one": cartridge}, chains, material, settings)["one"]
        coil = finding.coil
        if "refused" in finding.reason:
            states["refused" if wrong_ohm < 1.0 else "refused, sheet right"] += 1
        elif wrong_ohm < 1.0 and sheet and kind.startswith("two"):
            states["sheet wrong, not refused"] += 1
        elif coil is None:
            states["unknown"] += 1
        else:
            states["stated" if coil.loss_u is None else "fitted"] += 1
        if coil is None:
            continue
        bench = chains["bench"]
        present = Load(bench, bench.load_ohm, bench.load_pf)
        unseen_pf = true_pf["bench"] - bench.load_pf
        here_db = true_db(world, bench, ASKED_HZ, bench.load_ohm, true_pf["bench"])
        for what, load_ohm, load_pf in (
            ("capacitance", bench.load_ohm, bench.load_pf + rng.uniform(50.0, 250.0)),
            ("resistance", float(rng.choice([22e3, 33e3, 68e3, 100e3])), bench.load_pf),
        ):
            change_db, u_db = load_change_db(
                ASKED_HZ, coil, present, Load(bench, load_ohm, load_pf), capacitance_u
            )
            there_db = true_db(world, bench, ASKED_HZ, load_ohm, load_pf + unseen_pf)
            off_db = change_db - (there_db - here_db)
            within[what] += list(np.abs(off_db) <= 2.0 * u_db)
            wide[what] += list(2.0 * u_db)
        table = loading_tables(
            {"one": cartridge}, chains, captures, responses, STYLI, settings
        ).loading
        advised = table[table["recommended"] & (table["chain"] == "bench")].iloc[0]
        band_hz = np.geomspace(*settings["deviation_band_hz"], 60)
        tip_db = mechanical_db(band_hz, world.tip_hz, world.tip_q)
        now_db, then_db = (
            half_spread_db(true_db(world, bench, band_hz, ohm, pf + unseen_pf) + tip_db)
            for ohm, pf in (
                (bench.load_ohm, bench.load_pf),
                (advised["load_ohm"], advised["load_pf"]),
            )
        )
        moved = (advised["load_ohm"], advised["load_pf"]) != (bench.load_ohm, bench.load_pf)
        changed += int(moved)
        wrong += int(moved and then_db > now_db)
    return {
        "within": {what: float(np.mean(held)) for what, held in within.items()},
        "median_db": {what: float(np.median(width)) for what, width in wide.items()},
        "states": dict(states),
        "advised": changed,
        "wrong": wrong,
    }


def default_settings() -> dict[str, Any]:
    """Return the defaults of the configuration's block `loading`."""
    block = Path(__file__).parents[2] / "workflow/schemas/blocks/loading.yaml"
    properties = yaml.safe_load(block.read_text())["properties"]
    return {key: rule["default"] for key, rule in properties.items()}


def main() -> None:
    """Print one line for each kind."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cartridges", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--draw", choices=DRAWS, default="moderate")
    options = parser.parse_args()
    settings, drawn = default_settings(), DRAWS[options.draw]
    for kind in KINDS:
        print(kind, study(kind, options.cartridges, options.seed, settings, drawn), flush=True)


if __name__ == "__main__":
    main()
