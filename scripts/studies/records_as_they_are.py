"""Measure captures of grooves that depart from their description; print how far figures are off.

python scripts/studies/records_as_they_are.py [--captures 100] [--seed S] [--verbose]

A description is drawn, then a groove that fits it within what sleeves are worth, then a platter,
noise and ticks. Segmentation, observation and measures get the capture and the description alone.
The seed is drawn where none is given, and printed.
"""

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

import library_path  # noqa: F401
from grooveledger.configuration import describe_settings
from grooveledger.measure.job import measure_capture
from grooveledger.measure.quantities import MEASURES
from grooveledger.observe.orders import observe_orders
from grooveledger.plan import Chain, Side
from grooveledger.schemas.observe import ORDERS, TONE_SPECTRUM
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.schemas.states import Status
from grooveledger.segment.job import segment
from grooveledger.simulate import (
    CaptureTruth,
    Conditions,
    StylusTruth,
    plan_capture,
    render_capture,
    write_capture,
)
from grooveledger.simulate.archives import CARTRIDGES, CHAINS
from grooveledger.simulate.groove import Departures, as_cut
from grooveledger.storage import tables

RATE_HZ = 48_000
#: Captures are called c; nothing of them is kept.
NAME, ORIGIN = "c", {"code": "study", "job": "study"}
CHAIN = {**CHAINS["bench"], "chain": "bench"}
CARTRIDGE = {**CARTRIDGES["mm-small"], "cartridge": "mm-small"}
#: What a groove, a platter and a room may be: the largest departures, per cent and dB.
DEPARTURES = Departures(duration=0.10, sweep_end=0.06, bend=0.04, tone=0.01, track_speed=0.002)
SPEED_PCT, WOW_PCT, FLUTTER_PCT, DRIFT_PCT_PER_MIN, TICKS_PER_MIN = 1.0, 0.3, 0.15, 0.2, 60.0
FLUTTER_HZ, SURFACE_DB, RUMBLE_DB, HUM_DB = (
    (1.0, 30.0),
    (-66.0, -52.0),
    (-54.0, -42.0),
    (-76.0, -62.0),
)
#: Styli: their upper limits lie between 10 and 20 kHz.
TIP_RESONANCE_HZ, TIP_Q = (11_000.0, 24_000.0), (0.6, 0.9)
#: Sweeps described: start, stop, law, recorded law, velocity in cm/s.
SWEEPS = (
    (20.0, 20_000.0, "log", "iec98", 2.5),
    (200.0, 20_000.0, "log", "constant_velocity", 3.54),
    (1000.0, 20_000.0, "log", "constant_velocity", 3.54),
    (500.0, 20_000.0, "linear", "constant_velocity", 3.54),
)
DRIVEN = ((3, "left"), (4, "right"))
#: Figures, and how far off they may be (response and separation in dB, the others as parts).
BOUNDS = {"response_db": 0.25, "separation_db": 1.0, "thd": 0.10, "upper_limit": 0.02}
TOP_HZ = 18_000.0
#: Where a figure's own stated noise allows more, this many of its standard deviations do: the
#: largest of the 200 points of a curve.
SIGMAS = 4.5
SIGMA_DB = 20.0 / np.log(10.0)


class Outcome(NamedTuple):
    """One sweep: worst error of each figure, those beyond bound and stated noise, what is said."""

    errors: Mapping[str, float]
    wrong: tuple[str, ...]
    curve: bool
    flagged: bool


def described(random: np.random.Generator) -> dict[str, Any]:
    """Draw a side: a tone and a sweep in each channel."""
    start_hz, stop_hz, law, recorded, velocity = SWEEPS[int(random.integers(len(SWEEPS)))]
    if random.random() < 0.3:
        start_hz, stop_hz = stop_hz, start_hz
    sweep = {
        "kind": "sweep", "start_hz": start_hz, "stop_hz": stop_hz, "law": law, "recorded": recorded,
        "velocity_cm_s": velocity, "duration_s": float(random.uniform(15.0, 25.0)),
    }  # fmt: skip
    tone = {"kind": "tone", "frequency_hz": 1000.0, "velocity_cm_s": 5.0, "duration_s": 4.0}
    facts = ((tone, "left"), (tone, "right"), (sweep, "left"), (sweep, "right"))
    tracks = [
        {"track": i, "modulation": channel, "radius_mm": 145.0 - 10.0 * i, **fact}
        for i, (fact, channel) in enumerate(facts, start=1)
    ]
    return {"record": "r", "side": "a", "rpm": 33.3333, "gap_s": 2.0, "tracks": tracks}


def conditions(random: np.random.Generator) -> Conditions:
    """Draw how it is played."""
    return Conditions(
        speed_error_pct=random.uniform(-SPEED_PCT, SPEED_PCT),
        once_per_rev_pct=random.uniform(0.0, WOW_PCT),
        once_per_rev_phase_deg=random.uniform(0.0, 360.0),
        flutter=(
            (float(np.exp(random.uniform(*np.log(FLUTTER_HZ)))), random.uniform(0.0, FLUTTER_PCT)),
        ),
        drift_pct_per_min=random.uniform(-DRIFT_PCT_PER_MIN, DRIFT_PCT_PER_MIN),
        needle_drop_cm_s=20.0,
        surface_a_db=random.uniform(*SURFACE_DB),
        rumble_db=random.uniform(*RUMBLE_DB),
        ticks_per_min=random.uniform(0.0, TICKS_PER_MIN),
        hum_db=random.uniform(*HUM_DB),
        hiss_a_db=-78.0,
    )


def defaults(block: str) -> dict[str, Any]:
    """Settings of a block where a person gives none."""
    keys = [entry for entry in describe_settings() if entry[0].startswith(f"{block}.")]
    return {key.partition(".")[2]: default for key, default, _ in keys}


def measured(path: Path, side: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Take a capture through segment, observe and measure; tables by name, and `status`."""
    view = Side.from_mapping(side)
    tracks, health = segment(path, view, defaults("segment"), NAME, sha256="")
    tables.write(TRACKS, tracks, folder / "tracks.parquet", ORIGIN)
    tables.write(HEALTH, health, folder / "health.parquet", ORIGIN)
    found = observe_orders(path, tracks, view, defaults("orders"), NAME)
    files = [str(folder / f"{table.name}.parquet") for table in (ORDERS, TONE_SPECTRUM)]
    for table, rows, file in zip((ORDERS, TONE_SPECTRUM), found, files, strict=True):
        tables.write(table, rows, file, ORIGIN)
    settings: dict[str, Any] = {name: defaults(name) for name in (*MEASURES, "remarks")}
    job = {
        "capture": NAME, "side": side, "chain": CHAIN, "cartridge": CARTRIDGE, "code": "study",
        "settings": {**settings, "mains_hz": 50},
    }  # fmt: skip
    measure_capture(folder, files, folder, job)
    names = ("response", "separation", "distortion", "metrics", "remarks")
    made: dict[str, Any] = {
        name: tables.columns(tables.read(folder / f"{name}.parquet")) for name in names
    }
    return {**made, "status": health["status"][0].as_py()}


def rows(columns: Mapping[str, np.ndarray], value: str, **wanted: Any) -> dict[str, np.ndarray]:
    """Rows that have the values wanted, and a value that is neither null nor a bound."""
    chosen = ~columns["limited"].astype(bool) & ~np.isnan(columns[value])
    for key, one in wanted.items():
        chosen &= columns[key] == one
    return {key: column[chosen] for key, column in columns.items()}


def compared(
    found: Mapping[str, Any], truth: CaptureTruth, track: int, channel: str
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Errors of each figure's points, and the standard deviations that their noise gives them."""
    result = {}
    response = rows(found["response"], "response_db", track=track, channel=channel)
    below = response["played_hz"] <= TOP_HZ
    hz = response["played_hz"][below]
    error = response["response_db"][below] - truth.response_db(track, channel, hz)
    if len(error) and response["reference_hz"][0] != 1000.0:
        error = error - np.median(error)
    result["response_db"] = error, response["uncertainty_db"][below]
    separation = rows(found["separation"], "separation_db", track=track)
    below = separation["played_hz"] <= TOP_HZ
    true_db, _ = truth.separation(track, separation["played_hz"][below])
    apart_db = separation["floor_db"][below] - separation["separation_db"][below]
    error = separation["separation_db"][below] - true_db
    result["separation_db"] = error, SIGMA_DB * 10.0 ** (-apart_db / 20.0) / np.sqrt(2.0)
    thd = rows(found["distortion"], "thd_pct", track=track, channel=channel)
    speed = truth.mean_speed(track)
    true_pct = np.array(
        [
            truth.thd_pct(track, channel, np.array([hz / speed]), int(order))[0]
            for hz, order in zip(thd["frequency_hz"], thd["order_max"], strict=True)
        ]
    )
    result["thd"] = (
        thd["thd_pct"] / true_pct - 1.0,
        thd["floor_pct"] / true_pct / np.sqrt(2.0),
    )
    limit = rows(found["metrics"], "value", metric="upper_limit_hz", channel=channel, track=track)[
        "value"
    ]
    grid_hz = np.geomspace(1000.0, 24_000.0, 6000)
    below_3db = np.flatnonzero(truth.response_db(track, channel, grid_hz) <= -3.0)
    if len(limit) and len(below_3db):
        error = limit / grid_hz[below_3db[0]] - 1.0
        result["upper_limit"] = error, np.zeros(len(error))
    return result


def outcomes(seed: int, folder: Path) -> list[Outcome]:
    """Draw, play and measure one capture; its two sweeps."""
    random = np.random.default_rng(seed)
    side = described(random)
    groove = as_cut(Side.from_mapping(side), DEPARTURES, random)
    stylus = StylusTruth(
        tip_resonance_hz=random.uniform(*TIP_RESONANCE_HZ), tip_q=random.uniform(*TIP_Q)
    )
    truth = plan_capture(groove, stylus, Chain.from_mapping(CHAIN), conditions(random), seed)
    path = folder / "capture.wav"
    write_capture(path, render_capture(truth, RATE_HZ, seed), RATE_HZ)
    found = measured(path, side, folder)
    flagged = found["status"] != Status.OK or len(found["remarks"]["remark"]) > 0
    result = []
    for track, channel in DRIVEN:
        errors, wrong = {}, []
        compared_here = compared(found, truth, track, channel)
        for name, (error, sigma) in compared_here.items():
            if len(error):
                errors[name] = float(np.max(np.abs(error)))
                if np.any(np.abs(error) > np.maximum(BOUNDS[name], SIGMAS * sigma)):
                    wrong.append(name)
        curve = len(compared_here["response_db"][0]) > 0
        result.append(Outcome(errors, tuple(wrong), curve, flagged))
    return result


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=100)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--verbose", action="store_true")
    arguments = parser.parse_args()
    seed = arguments.seed
    if seed is None:
        seed = int(np.random.default_rng().integers(1 << 31))
    print(f"seed {seed}", flush=True)
    all_of: list[Outcome] = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(arguments.captures):
            here = outcomes(seed + number, Path(folder))
            all_of += here
            if arguments.verbose:
                for one in here:
                    if one.wrong or not one.curve:
                        print(seed + number, one, flush=True)
    worst: dict[str, list[float]] = defaultdict(list)
    for one in all_of:
        for name, value in one.errors.items():
            worst[name].append(value)
    print(f"{len(all_of)} sweeps of {arguments.captures} captures")
    heads = ("bound", "median", "95 %", "worst", "within", "beyond noise")
    print(f"{'figure':14}" + "".join(f"{head:>13}" for head in heads))
    for name, bound in BOUNDS.items():
        values = np.array(worst[name] or [np.nan])
        beyond = sum(name in one.wrong for one in all_of)
        print(
            f"{name:14}{bound:13.3g}{np.median(values):13.4f}{np.quantile(values, 0.95):13.4f}"
            f"{values.max():13.4f}{100.0 * np.mean(values <= bound):11.1f} %{beyond:13}"
        )
    none = [one for one in all_of if not one.curve]
    print(f"no curve: {len(none)}, not flagged {sum(not one.flagged for one in none)}")
    wrong = [one for one in all_of if one.wrong]
    print(f"wrong: {len(wrong)}, called ok {sum(not one.flagged for one in wrong)}")


if __name__ == "__main__":
    main()
