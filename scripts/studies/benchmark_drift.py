"""Simulation studies of the drift analysis: its intervals and words against their promises.

    python scripts/studies/benchmark_drift.py              all studies
    python scripts/studies/benchmark_drift.py steps wear   some of them

Every study draws histories with a fixed seed, sends them through the same function as the workflow
does, and prints what came out beside what was promised. Histories are sent as channels of one
stylus, so that thousands of them share one call.
"""

import sys
import time
from collections.abc import Callable, Mapping

import numpy as np

import library_path  # noqa: F401
from drift_histories import (
    BREAK_IN_HOURS,
    SCATTER_DB,
    archive_of,
    drift_of,
    holds,
    long_table,
    one_record,
    reference_stylus,
    scatter,
    second_copy,
    successor,
    uneven_hours,
)
from drift_step_studies import critical, step_bounds, step_sizes, steps
from grooveledger.interpret.drift import control_table, drift_table
from grooveledger.interpret.drift.rows import BLAME_SIGNIFICANCE
from grooveledger.measure.quantities import METRICS

#: Captures a history holds in the studies of coverage.
CAPTURES = (8, 12, 20, 40, 60)


def coverage(histories: int = 2000) -> list[str]:
    """Slope interval 93 to 97 %, limit-hours interval 92 to 98 %."""
    lines = []
    for kind in ("normal", "t3"):
        for n in CAPTURES:
            rng = np.random.default_rng(n)
            hours = uneven_hours(rng, n)
            # The limit lies half the observed span beyond the newest capture.
            meets = hours[-1] + 0.5 * (hours[-1] - hours[0])
            slope = -2.0 / (meets - BREAK_IN_HOURS) * 100.0
            line = slope * (hours - BREAK_IN_HOURS) / 100.0
            rows = drift_of(long_table(line + scatter(rng, kind, (histories, n)), hours))
            low = rows["hours_at_limit_low"].fillna(-np.inf)
            high = rows["hours_at_limit_high"].fillna(np.inf)
            # Changes are counted from the baseline, which may lie at the first capture.
            meets = rows["baseline_hours"] - 200.0 / slope
            lines.append(
                f"{kind:>6}, {n:2d} captures: slope {holds(rows, slope):.3f}, "
                f"limit hours {np.mean((low <= meets) & (meets <= high)):.3f}, "
                f"bounded {np.mean(np.isfinite(low) & np.isfinite(high)):.2f}"
            )
    return lines


def flat_coverage(histories: int = 2000) -> list[str]:
    """Slope interval and verdicts where nothing moves; the limit is never met, so must be open."""
    lines = []
    for kind in ("normal", "t3"):
        for n in CAPTURES:
            rng = np.random.default_rng(100 + n)
            hours = uneven_hours(rng, n)
            rows = drift_of(long_table(scatter(rng, kind, (histories, n)), hours))
            lines.append(
                f"{kind:>6}, {n:2d} captures: slope {holds(rows, 0.0):.3f}, "
                f"open-ended {np.mean(rows['hours_at_limit_high'].isna()):.3f}, "
                f"p < 0.05 {np.mean(rows['p_trend'] < 0.05):.3f}, "
                f"called moving {np.mean(rows['verdict'] != 'steady'):.4f}"
            )
    return lines


def sessions(histories: int = 2000) -> list[str]:
    """Slope interval 93 to 97 % where captures of one day share part of their scatter."""
    lines = []
    for share in (0.0, 0.5, 0.9):
        for days, each in ((8, 2), (12, 2), (20, 2), (10, 4)):
            rng = np.random.default_rng(days + each)
            day = np.repeat(np.arange(days), each)
            hours = BREAK_IN_HOURS + 10.0 * day + 0.4 * np.tile(np.arange(each), days)
            common = np.repeat(rng.standard_normal((histories, days)), each, axis=1)
            own = rng.standard_normal((histories, days * each))
            values = SCATTER_DB * (np.sqrt(share) * common + np.sqrt(1.0 - share) * own)
            rows = drift_of(long_table(values, hours, day=day))
            sd = np.sqrt(np.mean(rows["repeatability_sd"] ** 2))
            lines.append(
                f"shared {share:.1f}, {days:2d} days of {each}: slope {holds(rows, 0.0):.3f}, "
                f"repeatability {sd:.4f} (true {SCATTER_DB * np.sqrt(1.0 - share):.4f})"
            )
    return lines


def odd_captures(histories: int = 2000) -> list[str]:
    """One capture in ten off by ten sigma: slope bias under 5 % of the slope."""
    lines = []
    slope = -0.5
    for n in (10, 20, 40, 60):
        for where in ("anywhere", "latest"):
            rng = np.random.default_rng(n)
            hours = uneven_hours(rng, n)
            values = slope * (hours - BREAK_IN_HOURS) / 100.0
            values = values + scatter(rng, "normal", (histories, n))
            odd = max(1, n // 10)
            for row in values:
                places = (
                    rng.choice(n, odd, replace=False)
                    if where == "anywhere"
                    else n - 1 - rng.choice(n // 2, odd, replace=False)
                )
                row[places] += 10.0 * SCATTER_DB
            rows = drift_of(long_table(values, hours))
            bias = np.mean(rows["slope_per_100h"]) / slope - 1.0
            lines.append(
                f"{n:2d} captures, odd {where:>8}: bias {100.0 * bias:+.2f} % of the slope, "
                f"coverage {holds(rows, slope):.3f}, "
                f"false steps {np.mean(rows['change_at_hours'].notna()):.3f}"
            )
    return lines


def record_wear(histories: int = 2000) -> list[str]:
    """Record wear told apart where it can be, flagged where not; false attribution below 5 %."""
    lines = []
    for worn in ("nothing", "stylus", "record", "both"):
        hour = -0.6 if worn in ("stylus", "both") else 0.0
        play = -3.0 if worn in ("record", "both") else 0.0
        for scene in (one_record, second_copy, reference_stylus, successor):
            rng = np.random.default_rng(7)
            rows = drift_of(*scene(rng, hour, play, histories))
            rows = rows[rows["stylus"] == "one"]
            told = rows["record_wear_per_100_plays"].notna()
            blamed_stylus = (rows["p_trend"] < BLAME_SIGNIFICANCE) & told
            blamed_record = rows["p_record_wear"] < BLAME_SIGNIFICANCE
            low, high = rows["record_wear_low"], rows["record_wear_high"]
            covered = np.mean(((low <= play) & (play <= high))[told]) if told.any() else np.nan
            lines.append(
                f"{scene.__name__:>16}, worn {worn:>7}: told apart {np.mean(told):.3f}, "
                f"named confounded {np.mean(rows['confounded_with'] == 'record_plays'):.3f}, "
                f"stylus blamed {np.mean(blamed_stylus):.3f}, "
                f"record blamed {np.mean(blamed_record):.3f}, wear covered {covered:.3f}, "
                f"slope covered {holds(rows[told], hour) if told.any() else np.nan:.3f}"
            )
    return lines


def break_in(histories: int = 2000) -> list[str]:
    """A stylus that settles over its first 30 h shows no drift from it."""
    lines = []
    for n in (12, 30, 60):
        rng = np.random.default_rng(n)
        hours = np.concatenate([np.linspace(0.0, 28.0, 8), BREAK_IN_HOURS + 8.0 * np.arange(n)])
        settling = 1.5 * np.maximum(0.0, 1.0 - hours / BREAK_IN_HOURS)
        values = settling + scatter(rng, "normal", (histories, len(hours)))
        rows = drift_of(long_table(values, hours))
        kept = drift_of(long_table(values, hours), break_in_hours=0.0)
        lines.append(
            f"{n:2d} captures after it: p < 0.05 {np.mean(rows['p_trend'] < 0.05):.3f}, "
            f"slope covered {holds(rows, 0.0):.3f}, left out {rows['n_break_in'].iloc[0]}; "
            f"were it kept, p < 0.05 {np.mean(kept['p_trend'] < 0.05):.3f}"
        )
    return lines


def control(histories: int = 2000) -> list[str]:
    """The newest capture: flagged seldom without cause, and often when off."""
    lines = []
    for kind in ("normal", "t3"):
        for n in (8, 12, 30, 60):
            rng = np.random.default_rng(n)
            hours = uneven_hours(rng, n)
            line = -0.5 * (hours - BREAK_IN_HOURS) / 100.0
            quiet = line + scatter(rng, kind, (histories, n))
            said = [f"without cause {_flagged(quiet, hours):.3f}"]
            for sds in (4.0, 6.0, 10.0):
                odd = quiet.copy()
                odd[:, -1] += sds * SCATTER_DB
                said.append(f"off by {sds:.0f} sd {_flagged(odd, hours):.3f}")
            lines.append(f"{kind:>6}, {n:2d} captures: {', '.join(said)}")
    return lines


def _flagged(values: np.ndarray, hours: np.ndarray) -> float:
    metrics, captures, styli = archive_of(long_table(values, hours))
    charts = control_table(metrics, captures, styli, {})
    return float(charts.loc[charts["newest"], "flagged"].mean())


def pooling(archives: int = 200) -> list[str]:
    """Slopes of five styli of one type: error and coverage alone and pooled."""
    lines = []
    for spread in (0.0, 0.1, 0.5):
        rng = np.random.default_rng(3)
        true = -0.5 + spread * rng.standard_normal((5, archives))
        tables = []
        for k, n in enumerate((8, 8, 12, 20, 40)):
            hours = BREAK_IN_HOURS + 10.0 * np.arange(n)
            line = true[k][:, None] * (hours - BREAK_IN_HOURS) / 100.0
            values = line + scatter(rng, "normal", (archives, n))
            tables.append(long_table(values, hours, stylus=f"stylus{k}"))
        rows = drift_of(*tables)
        truth = true.ravel()
        said = []
        for name, stem in (("alone", "slope"), ("pooled", "slope_pooled")):
            error = np.sqrt(np.mean((rows[f"{stem}_per_100h"] - truth) ** 2))
            held = np.mean((rows[f"{stem}_low"] <= truth) & (truth <= rows[f"{stem}_high"]))
            said.append(f"{name} {error:.3f} dB ({held:.3f})")
        lines.append(f"styli differ by {spread:.1f} dB per 100 h: {', '.join(said)}")
    return lines


def speed(styli: int = 40, captures: int = 250) -> list[str]:
    """10,000 captures, 40 styli, all figures of both channels: under a minute."""
    tables = []
    for k in range(styli):
        rng = np.random.default_rng(k)
        hours = np.cumsum(rng.exponential(2.0, captures))
        order = np.arange(captures)
        # Every hundredth figure is missing, so that hardly two series share their captures.
        for metric in METRICS:
            values = 10.0 - 0.3 * hours / 100.0 + scatter(rng, "normal", (2, captures))
            values[rng.random(values.shape) < 0.01] = np.nan
            tables.append(
                long_table(
                    values,
                    hours,
                    metric=metric,
                    stylus=f"stylus{k:02d}",
                    day=order // 2,
                    plays=order // 2,
                    record=np.where(order % 2, "a", "b"),
                    temperature_c=20.0 + rng.standard_normal(captures),
                ).assign(cartridge=f"type{k // 4}")
            )
    metrics, sheet, of_styli = archive_of(*tables)
    # The processor's time: other programs on the machine do not count.
    started = time.process_time()
    drift = drift_table(metrics, sheet, of_styli, {})
    fitted = time.process_time()
    charts = control_table(metrics, sheet, of_styli, {})
    charted = time.process_time()
    return [
        f"{len(metrics)} figures, {len(drift)} series: drift {fitted - started:.1f} s, "
        f"control charts {charted - fitted:.1f} s ({len(charts)} rows)"
    ]


STUDIES: Mapping[str, Callable[[], list[str]]] = {
    "coverage": coverage,
    "flat": flat_coverage,
    "sessions": sessions,
    "odd": odd_captures,
    "steps": steps,
    "step_bounds": step_bounds,
    "step_sizes": step_sizes,
    "record_wear": record_wear,
    "break_in": break_in,
    "control": control,
    "pooling": pooling,
    "speed": speed,
    "critical": critical,
}


def main(names: list[str]) -> None:
    """Run the studies named, or all."""
    for name in names or list(STUDIES):
        started = time.perf_counter()
        print(f"{name}: {(STUDIES[name].__doc__ or '').strip()}")
        for line in STUDIES[name]():
            print(f"  {line}")
        print(f"  ({time.perf_counter() - started:.0f} s)")


if __name__ == "__main__":
    main(sys.argv[1:])
