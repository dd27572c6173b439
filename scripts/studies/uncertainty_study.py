"""How often budgets of uncertainty hold: stated intervals and ratings against what is true.

    python scripts/studies/uncertainty_study.py                 300 archives
    python scripts/studies/uncertainty_study.py --worlds 40     fewer

Each archive has a cartridge, a chain and a record that are off their description by errors drawn
from its tolerances, and repeats on a few days. Its captures go through the functions of the
workflow from the observations on. Printed is, for each metric, how often the error is within the
expanded uncertainty (93 to 98 % is wanted), and how much wider that is than the interval that holds
95 % of the errors (1.5 times at most); then how often a rating is wrong (5 % at most).
"""

import argparse
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

import library_path  # noqa: F401
from grooveledger.interpret.budgets import budgets
from grooveledger.interpret.collect import joined_metrics
from grooveledger.interpret.ratings import ratings_table
from grooveledger.interpret.repeatability import repeats
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.job import OBSERVED
from grooveledger.measure.metrics import capture_metrics
from grooveledger.measure.quantities import MEASURES, METRICS
from grooveledger.schemas.capture_metrics import CAPTURE_METRICS
from grooveledger.storage import tables
from records_as_they_are import defaults
from uncertainty_worlds import CHAIN, SIDE, World, observe, truth

DAYS, REPEATS = 6, 2
#: Figures whose true value is the mean of many playings: nothing else defines it here.
BY_MEAN = ("speed_error_pct", "wow_flutter_weighted_pct", "wow_flutter_unweighted_pct")


def measured(world: World, capture: str, settings: Mapping[str, Any]) -> dict[str, Any]:
    """Measure one playing; the tables' columns by measure, and `metrics`."""
    plan = np.array([track.track for track in SIDE.tracks], float)
    place = {"track": plan, "start_s": 700.0 * plan, "stop_s": 700.0 * plan + 600.0}
    place["match"] = np.array(["found"] * len(plan), object)
    observed = {table.name: tables.columns(tables.empty(table)) for table in OBSERVED}
    observed |= observe(world)
    context = CaptureContext(capture, SIDE, CHAIN, world.cartridge, {}, place, observed)
    found = {}
    for name, measure in MEASURES.items():
        own = {**settings.get(measure.block or name, {}), "mains_hz": 50}
        rows = measure.measure(replace(context, settings=own))
        if rows.num_rows:
            found[name] = tables.columns(rows)
    scalars = capture_metrics(found, SIDE, world.cartridge, CHAIN, settings["response"])
    rows = tables.build(CAPTURE_METRICS, {"capture": capture, **scalars})
    return {**found, "metrics": rows}


def archive(seed: int, days: int = DAYS) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the figures of one archive with their truth and uncertainty, and its ratings."""
    settings = {name: defaults(name) for name in (*MEASURES, "ratings")}
    world = World(np.random.default_rng([seed, 11]))
    sheet, scalars, responses = [], [], []
    for i in range(days * REPEATS):
        capture = f"c{i:03d}"
        found = measured(world, capture, settings)
        scalars.append(found["metrics"])
        responses.append(pd.DataFrame(found["response"]))
        sheet.append(
            {
                "capture": capture,
                "captured_at": f"2024-{1 + i // REPEATS:02d}-10",
                "stylus": "one",
                "cartridge": "type",
                "stylus_hours": 50.0 + i,
                "record": "record",
                "side": "a",
                "record_plays": i,
                "chain": "bench",
                "temperature_c": 20.0,
                "copy": None,
                "status": "ok",
            }
        )
    rows = joined_metrics(sheet, tables.concat(CAPTURE_METRICS, scalars))
    known = repeats(rows, METRICS)
    whole = budgets(rows, known, METRICS)
    frame = pd.DataFrame({**rows, **whole})
    true = truth(world)
    keys = list(zip(frame["metric"], frame["channel"], strict=True))
    frame["truth"] = [true.get(key, np.nan) for key in keys]
    frame["archive"] = seed
    captures, response = pd.DataFrame(sheet), pd.concat(responses, ignore_index=True)
    rated = ratings_table(
        captures,
        response,
        frame,
        frame,
        {"type": world.cartridge},
        {"bench": CHAIN},
        settings["ratings"],
    )
    rated["wrong"] = [_is_wrong(row, true, settings["ratings"]) for row in rated.itertuples()]
    return frame, rated


def _is_wrong(row: Any, true: Mapping[tuple[str, str], float], settings: Mapping[str, Any]) -> bool:
    """Return whether a verdict contradicts the truth; an undecided one never does."""
    if row.verdict not in ("meets", "misses"):
        return False
    key = (row.quantity, row.channel)
    if row.quantity == "output_mv":
        meets = abs(20.0 * np.log10(true[key] / row.rated)) <= settings["output_tolerance_db"]
    elif row.quantity == "balance_db":
        meets = abs(true[key]) <= row.rated
    elif row.quantity == "separation_1khz_db":
        meets = true[key] >= row.rated
    elif row.quantity == "response_db":
        meets = true["response_band_db", row.channel] <= row.rated
    else:
        return False
    return bool(meets != (row.verdict == "meets"))


def coverage(frame: pd.DataFrame) -> pd.DataFrame:
    """Return, for each metric, how often its interval holds and how wide it is."""
    frame = frame[frame["value"].notna() & ~frame["limited"].astype(bool)].copy()
    for name in BY_MEAN:
        own = frame["metric"] == name
        frame.loc[own, "truth"] = frame[own].groupby("archive")["value"].transform("mean")
    rows = []
    for metric, own in frame[frame["truth"].notna()].groupby("metric"):
        error = (own["value"] - own["truth"]).abs()
        # Errors of a figure of any size are laid side by side as shares of its own uncertainty.
        needed = float((error / own["expanded"]).quantile(0.95))
        rows.append(
            {
                "metric": metric,
                "n": len(own),
                "held": float((error <= own["expanded"]).mean()),
                "width": 1.0 / needed,
                "bias": float((own["value"] - own["truth"]).mean() / own["expanded"].mean()),
            }
        )
    return pd.DataFrame(rows)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--worlds", type=int, default=300, help="archives drawn")
    parser.add_argument("--days", type=int, default=DAYS, help="days with repeats in each")
    parser.add_argument("--first", type=int, default=0, help="number of the first archive")
    arguments = parser.parse_args()
    seeds = range(arguments.first, arguments.first + arguments.worlds)
    parts = [archive(seed, arguments.days) for seed in seeds]
    frame = pd.concat([part[0] for part in parts], ignore_index=True)
    for row in coverage(frame).itertuples():
        print(
            f"{row.metric:32s} {row.n:6d} figures: held {row.held:.3f}, width {row.width:.2f}, "
            f"mean error {row.bias:+.2f} U",
            flush=True,
        )
    rated = pd.concat([part[1] for part in parts], ignore_index=True)
    for quantity, own in rated[rated["verdict"].notna()].groupby("quantity"):
        stated = own["verdict"] != "undecided"
        print(
            f"{quantity:20s} {len(own):6d} ratings: {stated.mean():.2f} decided, wrong in "
            f"{own['wrong'].mean():.3f} of all, {own.loc[stated, 'wrong'].mean():.3f} of decided"
        )


if __name__ == "__main__":
    main()
