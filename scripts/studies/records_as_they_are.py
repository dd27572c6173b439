"""Measure captures of grooves that depart from their description; print how far figures are off.

python scripts/studies/records_as_they_are.py [--captures 100] [--seed S]
python scripts/studies/records_as_they_are.py --captures 25 --results pieces.jsonl

A description is drawn, then a groove that fits it within what sleeves are worth, then a platter,
noise and ticks. Segmentation, observation and measures get the capture and the description alone.
Most sides hold a tone and a sweep in each channel; the others are of the further kinds of `KINDS`.
The seed is drawn where none is given, and printed. With --results what each sweep gave is added to
a file, and the tables are of all that it holds: a long study is run in pieces.

A figure is stated, or a bound (`limited`), or missing. Wrong is one that is stated and off by more
than its tolerance and more than its stated noise allows; or a bound that does not hold, by more.
"""

import argparse
import itertools
import json
import tempfile
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

import library_path  # noqa: F401
from grooveledger.configuration import describe_settings
from grooveledger.measure.job import measure_capture
from grooveledger.measure.quantities import MEASURES
from grooveledger.measure.quantities.separation import noise_db
from grooveledger.observe.noise_density import observe_noise
from grooveledger.observe.orders import observe_orders
from grooveledger.plan import Chain, Side
from grooveledger.schemas.observe import NOISE_DENSITY, NOISE_LEVEL, ORDERS, TONE_SPECTRUM
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.schemas.states import Status
from grooveledger.schemas.table import Table
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
DEPARTURES = Departures(
    duration=0.10, sweep_end=0.06, bend=0.04, tone=0.01, track_speed=0.002, fade_s=0.5
)
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
DRIVEN = (((3,), "left"), ((4,), "right"))
#: Further kinds of record, and the share of captures that are of one of them.
KINDS = (
    "spot tones",
    "continued sweep",
    "without gaps",
    "pilot tone",
    "noise track",
    "velocity steps",
)
KINDS_SHARE = 0.3
SWEEPS_KIND = "sweeps"
SPOT_HZ = (1000.0, 100.0, 300.0, 3000.0, 5000.0, 10_000.0, 15_000.0)
#: Steps by velocity at 315 Hz, and what styli track of their 40 to 101 um.
STEPS_CM_S, TRACKED_UM = (8.0, 10.0, 12.5, 16.0, 20.0), (60.0, 110.0)
#: Figures, and how far off they may be (response and separation in dB, the others as parts).
BOUNDS = {
    "response_db": 0.25,
    "separation_db": 1.0,
    "thd": 0.10,
    "harmonics": 0.10,
    "upper_limit": 0.02,
    "metrics_db": 1.0,
    "metrics_pct": 0.10,
    "tracked_um": 0.01,
}
#: Bands that the shares of stated figures are given for, Hz.
BANDS_HZ = (20, 60, 100, 200, 400, 1000, 3000, 10_000, 18_000)
TOP_HZ = 18_000.0
#: Where a figure's own stated noise allows more, this many of its standard deviations do: the
#: largest of the 200 points of a curve.
SIGMAS = 4.5
#: Scalar figures: what they are read from, and where, Hz.
METRICS = {
    "separation_1khz_db": ("separation", 1000.0),
    "separation_5khz_db": ("separation", 5000.0),
    "separation_10khz_db": ("separation", 10_000.0),
    "thd_1khz_pct": ("thd", 1000.0),
    "thd_3khz_pct": ("thd", 3000.0),
    "thd_5khz_pct": ("thd", 5000.0),
    "h2_1khz_pct": ("h2", 1000.0),
    "h3_1khz_pct": ("h3", 1000.0),
}


class CurvePoints(NamedTuple):
    """Points of one figure along one sweep, shape (n,) each.

    `error` is what is stated (or a bound) less the truth, NaN where the figure is missing; `sigma`
    its own statement of what noise does to it; `sense` is +1 where bounds are upper ones, else -1.
    """

    hz: np.ndarray
    error: np.ndarray
    sigma: np.ndarray
    limited: np.ndarray
    sense: float = 1.0


class Outcome(NamedTuple):
    """One sweep: counts by figure and band, its worst error by figure, what is wrong, and said."""

    seed: int
    track: int
    counts: Mapping[str, Mapping[str, Sequence[int]]]
    worst: Mapping[str, float]
    wrong: Sequence[str]
    curve: bool
    flagged: bool
    kind: str = SWEEPS_KIND


class Drawn(NamedTuple):
    """A side's description, what its groove is drawn from, and the tracks of each curve."""

    kind: str
    side: dict[str, Any]
    groove: dict[str, Any]
    curves: Sequence[tuple[Sequence[int], str]]


def drawn(seed: int, side: dict[str, Any]) -> Drawn:
    """Draw the kind of record, from a generator of its own, and its side."""
    random = np.random.default_rng([seed, 1])
    if random.random() >= KINDS_SHARE:
        return Drawn(SWEEPS_KIND, side, side, DRIVEN)
    kind = KINDS[int(random.integers(len(KINDS)))]
    tones, sweeps = side["tracks"][:2], side["tracks"][2:]
    curves: Sequence[tuple[Sequence[int], str]] = DRIVEN
    if kind == "without gaps":
        groove = {**side, "gap_s": 0.0}
        untimed = [
            {key: value for key, value in track.items() if key != "duration_s"}
            for track in side["tracks"]
        ]
        return Drawn(kind, {**side, "gap_s": None, "tracks": untimed}, groove, curves)
    if kind == "pilot tone":
        tracks = tones + [{**track, "pilot_hz": 1000.0, "pilot_s": 3.0} for track in sweeps]
    elif kind == "continued sweep":
        low = {"start_hz": 20.0, "stop_hz": 1000.0, "law": "log", "recorded": "iec98",
               "velocity_cm_s": 2.5}  # fmt: skip
        high = {**low, "start_hz": 1000.0, "stop_hz": 20_000.0}
        tracks = list(tones)
        for number, track in zip((3, 5), sweeps, strict=True):
            tracks.append({**track, **low, "track": number})
            tracks.append({**track, **high, "track": number + 1, "continues": number})
        curves = (((3, 4), "left"), ((5, 6), "right"))
    elif kind == "spot tones":
        tracks = [
            # At 5 cm/s and 100 Hz the stylus would be at what it tracks, give or take wow.
            {
                **tones[0],
                "track": number,
                "modulation": channel,
                "frequency_hz": hz,
                "velocity_cm_s": 2.5,
            }
            for number, (channel, hz) in enumerate(
                itertools.product(("left", "right"), SPOT_HZ), start=1
            )
        ]
        half = len(SPOT_HZ)
        curves = ((range(1, half + 1), "left"), (range(half + 1, 2 * half + 1), "right"))
    elif kind == "noise track":
        noise = {"track": 3, "kind": "noise", "modulation": "lateral", "colour": "pink",
                 "recorded": "iec98", "velocity_cm_s": 5.0, "duration_s": 30.0}  # fmt: skip
        silent = {"track": 4, "kind": "silent_groove", "duration_s": 12.0}
        tracks = [*tones, noise, silent]
        curves = (((3,), "left"), ((3,), "right"))
    else:
        steps = {"track": 3, "kind": "amplitude_steps", "modulation": "lateral",
                 "frequency_hz": 315.0, "velocities_cm_s": STEPS_CM_S, "step_s": 4.0}  # fmt: skip
        tracks = [*tones, steps]
        curves = (((3,), "left"), ((3,), "right"))
    whole = {**side, "tracks": tracks}
    return Drawn(kind, whole, whole, curves)


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
    """Return the settings of a block where a person gives none."""
    keys = [entry for entry in describe_settings() if entry[0].startswith(f"{block}.")]
    return {key.partition(".")[2]: default for key, default, _ in keys}


def measured(path: Path, side: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Take a capture through segment, observe and measure; tables by name, and `status`."""
    view = Side.from_mapping(side)
    tracks, health = segment(path, view, defaults("segment"), NAME, sha256="")
    tables.write(TRACKS, tracks, folder / "tracks.parquet", ORIGIN)
    tables.write(HEALTH, health, folder / "health.parquet", ORIGIN)
    found = observe_orders(path, tracks, view, defaults("orders"), NAME)
    schemas: tuple[Table, ...] = (ORDERS, TONE_SPECTRUM)
    if any(track.kind == "noise" for track in view.tracks):
        found += observe_noise(path, tracks, view, defaults("noise"), NAME)
        schemas += (NOISE_DENSITY, NOISE_LEVEL)
    files = [str(folder / f"{table.name}.parquet") for table in schemas]
    for table, rows, file in zip(schemas, found, files, strict=True):
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


def points_db(
    found: Mapping[str, Any], truth: CaptureTruth, tracks: Sequence[int], channel: str
) -> dict[str, CurvePoints]:
    """Return the response and separation of one sweep."""
    response = of_tracks(found["response"], tracks, channel)
    error = response["response_db"] - truth.response_db(tracks[0], channel, response["played_hz"])
    if len(error) and response["reference_hz"][0] != 1000.0:
        error = error - np.nanmedian(error)
    separation = of_tracks(found["separation"], tracks, channel)
    true_db, _ = truth.separation(tracks[0], separation["played_hz"])
    return {
        "response_db": CurvePoints(
            response["played_hz"], error, response["uncertainty_db"], response["limited"]
        ),
        "separation_db": CurvePoints(
            separation["played_hz"],
            separation["separation_db"] - true_db,
            noise_db(separation),
            separation["limited"],
            -1.0,
        ),
    }


def points_pct(
    found: Mapping[str, Any], truth: CaptureTruth, tracks: Sequence[int], channel: str
) -> dict[str, CurvePoints]:
    """Return the distortion and its single harmonics of one sweep, as parts of themselves."""
    rows = of_tracks(found["distortion"], tracks, channel)
    rows = {name: column[rows["order_max"] > 1] for name, column in rows.items()}
    nominal_hz = rows["played_hz"] / truth.mean_speed(tracks[0])
    true_pct = truth.harmonics_pct(tracks[0], channel, nominal_hz)
    counted = np.arange(2, 6)[:, None] <= rows["order_max"]
    total_pct = np.sqrt(np.sum((true_pct * counted) ** 2, axis=0))
    names = [f"h{order}" for order in range(2, 6)]
    single = [rows[f"{name}_pct"] / true - 1.0 for name, true in zip(names, true_pct, strict=True)]
    noise = [rows[f"{name}_noise_pct"] / true for name, true in zip(names, true_pct, strict=True)]
    read = counted.ravel()
    return {
        "thd": CurvePoints(
            rows["played_hz"],
            rows["thd_pct"] / total_pct - 1.0,
            rows["noise_pct"] / total_pct,
            rows["limited"],
        ),
        "harmonics": CurvePoints(
            np.tile(rows["played_hz"], 4)[read],
            np.concatenate(single)[read],
            np.concatenate(noise)[read],
            np.isnan(np.concatenate(noise))[read],
        ),
    }


def points_of_metrics(
    found: Mapping[str, Any], truth: CaptureTruth, tracks: Sequence[int], channel: str
) -> dict[str, CurvePoints]:
    """Return the scalar figures of one sweep."""
    rows = of_tracks(found["metrics"], tracks, channel)
    points: dict[str, list[tuple[float, float, float, bool]]] = defaultdict(list)
    for i, metric in enumerate(rows["metric"]):
        if metric not in METRICS:
            continue
        what, hz = METRICS[metric]
        value, sigma = float(rows["value"][i]), float(rows["u_noise"][i])
        if what == "separation":
            error = value - float(truth.separation(tracks[0], hz)[0][0])
        else:
            nominal_hz = np.array([hz / truth.mean_speed(tracks[0])])
            order_max = int(rows["order_max"][i]) if value == value else 5
            harmonics = truth.harmonics_pct(tracks[0], channel, nominal_hz)[:, 0]
            pct = thd(harmonics[: order_max - 1]) if what == "thd" else harmonics[int(what[1]) - 2]
            error, sigma = value / pct - 1.0, sigma / pct
        name = "metrics_db" if what == "separation" else "metrics_pct"
        points[name].append((hz, error, sigma, bool(rows["limited"][i])))
    result = {}
    for name, values in points.items():
        hz, error, sigma, limited = (np.array(one) for one in zip(*values, strict=True))
        sense = -1.0 if name == "metrics_db" else 1.0
        result[name] = CurvePoints(hz, error, sigma, limited.astype(bool), sense)
    limit = rows["value"][rows["metric"] == "upper_limit_hz"]
    grid_hz = np.geomspace(1000.0, 24_000.0, 6000)
    below_3db = np.flatnonzero(truth.response_db(tracks[0], channel, grid_hz) <= -3.0)
    if len(limit) and len(below_3db):
        limited = rows["limited"][rows["metric"] == "upper_limit_hz"]
        error = limit / grid_hz[below_3db[0]] - 1.0
        at_hz = np.minimum(np.nan_to_num(limit, nan=TOP_HZ), TOP_HZ)
        result["upper_limit"] = CurvePoints(at_hz, error, np.zeros(len(error)), limited, -1.0)
    return result


def thd(harmonics: np.ndarray) -> float:
    """Return the root sum square."""
    return float(np.sqrt(np.sum(harmonics**2)))


def tracked(
    found: Mapping[str, Any], truth: CaptureTruth, tracks: Sequence[int], channel: str
) -> dict[str, CurvePoints]:
    """Return the amplitude that is tracked, of steps."""
    rows = of_tracks(found["metrics"], tracks, channel)
    chosen = rows["metric"] == "tracked_amplitude_um"
    true_um = truth.tracked_amplitude_um(tracks[0], channel) or np.nan
    error = rows["value"][chosen] / true_um - 1.0
    hz, sigma = np.full(len(error), 315.0), np.zeros(len(error))
    return {"tracked_um": CurvePoints(hz, error, sigma, rows["limited"][chosen], -1.0)}


def of_tracks(
    columns: Mapping[str, np.ndarray], tracks: Sequence[int], channel: str
) -> dict[str, np.ndarray]:
    """Return the rows of tracks and a channel."""
    chosen = np.isin(columns["track"], list(tracks)) & (columns["channel"] == channel)
    rows = {key: column[chosen] for key, column in columns.items()}
    return {**rows, "limited": rows["limited"].astype(bool)}


def judged(name: str, points: CurvePoints) -> tuple[dict[str, list[int]], float, list[str]]:
    """Return the counts by band, the worst error stated, and what is wrong.

    Counts are of points that are stated, stated within the tolerance, bounds, bounds that hold
    (within the tolerance), missing.
    """
    tolerance = BOUNDS[name]
    missing = np.isnan(points.error)
    stated = ~missing & ~points.limited
    bound = ~missing & points.limited
    size = np.abs(np.nan_to_num(points.error))
    near = size <= tolerance
    holds = points.sense * np.nan_to_num(points.error) >= -tolerance
    counts = {}
    for low_hz, high_hz in itertools.pairwise(BANDS_HZ):
        inside = (points.hz >= low_hz) & (points.hz < high_hz)
        parts = (stated, stated & near, bound, bound & holds, missing)
        counts[f"{low_hz}-{high_hz}"] = [int(np.sum(part & inside)) for part in parts]
    below = points.hz <= TOP_HZ
    allowed = np.maximum(tolerance, SIGMAS * np.nan_to_num(points.sigma))
    is_wrong = below & stated & (size > allowed)
    wrong = [
        f"{name} at {hz:.0f} Hz off by {error:.3g}, sigma {sigma:.2g}"
        for hz, error, sigma in zip(points.hz, points.error, points.sigma, strict=True)
    ]
    worst = float(np.max(size[stated & below], initial=0.0))
    return counts, worst, [wrong[i] for i in np.flatnonzero(is_wrong)]


def outcomes(seed: int, folder: Path) -> list[Outcome]:
    """Draw, play and measure one capture; its curves."""
    random = np.random.default_rng(seed)
    record = drawn(seed, described(random))
    groove = as_cut(Side.from_mapping(record.groove), DEPARTURES, random)
    stylus = StylusTruth(
        tip_resonance_hz=random.uniform(*TIP_RESONANCE_HZ), tip_q=random.uniform(*TIP_Q)
    )
    played = conditions(random)
    if record.kind == "velocity steps":
        tracks_um = (random.uniform(*TRACKED_UM), random.uniform(*TRACKED_UM))
        stylus = replace(stylus, tracked_amplitude_um=tracks_um)
    truth = plan_capture(groove, stylus, Chain.from_mapping(CHAIN), played, seed)
    path = folder / "capture.wav"
    write_capture(path, render_capture(truth, RATE_HZ, seed), RATE_HZ)
    found = measured(path, record.side, folder)
    flagged = found["status"] != Status.OK or len(found["remarks"]["remark"]) > 0
    result = []
    for tracks, channel in record.curves:
        counts: dict[str, dict[str, list[int]]] = {}
        worst, wrong = {}, []
        figures = figures_of(found, truth, record.kind, tracks, channel)
        for name, points in figures.items():
            if len(points.hz):
                counts[name], worst[name], wrong_here = judged(name, points)
                wrong += wrong_here
        chief = figures["tracked_um" if record.kind == "velocity steps" else "response_db"]
        curve = bool(np.any(~np.isnan(chief.error)))
        result.append(Outcome(seed, tracks[0], counts, worst, wrong, curve, flagged, record.kind))
    return result


def figures_of(
    found: Mapping[str, Any],
    truth: CaptureTruth,
    kind: str,
    tracks: Sequence[int],
    channel: str,
) -> dict[str, CurvePoints]:
    """Return the figures that a kind of record gives."""
    if kind == "velocity steps":
        return tracked(found, truth, tracks, channel)
    if kind == "noise track":
        response = points_db(found, truth, tracks, channel)["response_db"]
        return {"response_db": response}
    return {
        **points_db(found, truth, tracks, channel),
        **points_pct(found, truth, tracks, channel),
        **points_of_metrics(found, truth, tracks, channel),
    }


def report(all_of: Sequence[Outcome]) -> None:
    """Print what came of sweeps."""
    seeds = sorted({one.seed for one in all_of})
    runs = np.split(np.array(seeds), np.flatnonzero(np.diff(seeds) != 1) + 1)
    print(f"{len(all_of)} sweeps of {len(seeds)} captures, seeds")
    print(" ".join(f"{run[0]}-{run[-1]}" for run in runs))
    for kind in (SWEEPS_KIND, *KINDS):
        of_kind = [one for one in all_of if one.kind == kind]
        if of_kind:
            print(f"{kind}: {len(of_kind)} curves, without {sum(not x.curve for x in of_kind)}")
            table_of_worst(of_kind)
            if kind == SWEEPS_KIND:
                table_of_bands(of_kind)
    none = [one for one in all_of if not one.curve]
    print(f"no curve: {len(none)}, not flagged {sum(not one.flagged for one in none)}")
    print(f"captures flagged: {len({one.seed for one in all_of if one.flagged})}")
    wrong = [one for one in all_of if one.wrong]
    print(f"wrong: {len(wrong)} sweeps, called ok {sum(not one.flagged for one in wrong)}")
    for one in wrong:
        print(f"  {one.seed} track {one.track}, flagged {one.flagged}: {'; '.join(one.wrong[:4])}")


def table_of_worst(outcomes_of_kind: Sequence[Outcome]) -> None:
    """Print the worst errors of curves by figure, and the shares within and stated."""
    heads = ("bound", "median", "95 %", "worst", "sweeps in", "points in", "stated")
    print(f"{'worst of a sweep':18}" + "".join(f"{head:>12}" for head in heads))
    for name, tolerance in BOUNDS.items():
        if not any(name in one.worst for one in outcomes_of_kind):
            continue
        worst = np.array([one.worst[name] for one in outcomes_of_kind if name in one.worst])
        total = np.sum(
            [list(one.counts[name].values()) for one in outcomes_of_kind if name in one.counts], 0
        )
        stated, near, bounds, _, missing = total.sum(axis=0)
        print(
            f"{name:18}{tolerance:12.3g}{np.median(worst):12.4f}{np.quantile(worst, 0.95):12.4f}"
            f"{worst.max():12.4f}{100.0 * np.mean(worst <= tolerance):10.1f} %"
            f"{percent(near, stated)}{percent(stated, stated + bounds + missing)}"
        )


def table_of_bands(outcomes_of_kind: Sequence[Outcome]) -> None:
    """Print the shares of points that are stated, within, limited and missing, by band."""
    for name in ("separation_db", "thd", "harmonics", "metrics_db", "metrics_pct"):
        print(f"{name}: Hz, points, stated, of these within, limited, of these hold, missing")
        total = np.sum(
            [list(one.counts[name].values()) for one in outcomes_of_kind if name in one.counts], 0
        )
        for (low_hz, high_hz), counts in zip(itertools.pairwise(BANDS_HZ), total, strict=True):
            stated, near, bounds, holds, missing = counts
            points = stated + bounds + missing
            if points:
                print(
                    f"{low_hz:7}-{high_hz:<7}{points:8}{percent(stated, points)}"
                    f"{percent(near, stated)}{percent(bounds, points)}{percent(holds, bounds)}"
                    f"{percent(missing, points)}"
                )


def percent(part: int, whole: int) -> str:
    """Write a share."""
    return f"{100.0 * part / whole:10.2f} %" if whole else f"{'-':>12}"


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=100)
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--results", type=Path, default=None, help="file that is added to")
    arguments = parser.parse_args()
    seed = arguments.seed
    if seed is None:
        seed = int(np.random.default_rng().integers(1 << 31))
    print(f"seed {seed}", flush=True)
    all_of: list[Outcome] = []
    if arguments.results and arguments.results.exists():
        lines = arguments.results.read_text().splitlines()
        all_of = [Outcome(**json.loads(line)) for line in lines]
    with tempfile.TemporaryDirectory() as folder:
        for number in range(arguments.captures):
            here = outcomes(seed + number, Path(folder))
            all_of += here
            for one in here:
                if one.wrong or not one.curve:
                    print(one.seed, one.track, one.wrong, "curve", one.curve, flush=True)
            if arguments.results:
                with arguments.results.open("a") as file:
                    file.writelines(json.dumps(one._asdict()) + "\n" for one in here)
    report(all_of)


if __name__ == "__main__":
    main()
