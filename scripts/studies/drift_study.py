"""Simulation studies of the drift analysis: what it says against what is true.

    python scripts/studies/drift_study.py                    all studies
    python scripts/studies/drift_study.py --share 0.1 power  a tenth of the histories, one study

Every study draws histories of known truth, sends them through the functions of the workflow and
prints what came out beside what is promised. A page has 60 figures, independent or with a
correlation of 0.5, unless a line says otherwise.
"""

import argparse
import time
from collections.abc import Callable, Iterator

import numpy as np
from scipy.stats import chi2, norm, t

import library_path  # noqa: F401
from drift_archives import degenerate
from drift_histories import METRIC, archive_of, holds, long_table, uneven_hours
from drift_truth import false_statements
from grooveledger.interpret.drift import (
    advice_table,
    analyse_archive,
    control_table,
    drift_table,
    odd_captures_table,
    stylus_states,
)
from grooveledger.schemas.states import MOVING, Verdict

FIGURES = 60
#: Sizes are studied by themselves: every change counts here.
SETTINGS = {"least_changes": {METRIC: None}}
DAYS = (8, 12, 20, 40)
BREAK_IN_HOURS = 30.0


def scatter(
    rng: np.random.Generator, kind: str, days: int, lag: float = 0.0, shared: float = 0.0
) -> np.ndarray:
    """Return scatter (FIGURES, days) of standard deviation 1."""
    shape = (FIGURES, days)
    own = rng.standard_t(3, shape) / np.sqrt(3.0) if kind == "t3" else rng.standard_normal(shape)
    drawn = np.sqrt(1.0 - shared) * own + np.sqrt(shared) * rng.standard_normal((1, days))
    for i in range(1, days):
        drawn[:, i] = lag * drawn[:, i - 1] + np.sqrt(1.0 - lag**2) * drawn[:, i]
    if kind == "growing":
        drawn = drawn * np.linspace(0.5, 1.5, days)
    return np.asarray(drawn)


def pages(share: float) -> Iterator[str]:
    """No wear: a page says that anything moves in at most 6 %, the newest is odd in at most 5 %."""
    for lag in (0.0, 0.3, 0.6):
        for shared in (0.0, 0.5):
            for days in DAYS:
                rng = np.random.default_rng([days, int(10 * lag), int(10 * shared)])
                moves, odd, told, covers = [], [], [], []
                for _ in range(max(10, int(300 * share))):
                    hours = BREAK_IN_HOURS + 10.0 * np.arange(days)
                    if lag == 0.0:
                        hours = uneven_hours(rng, days)
                    values = scatter(rng, "normal", days, lag, shared)
                    archive = archive_of(long_table(values, hours))
                    rows = drift_table(*archive, SETTINGS)
                    moving = rows["verdict"].isin(MOVING).any()
                    changed = rows["change_at_hours"].notna().any()
                    settling = rows["break_in_hours"].max() > BREAK_IN_HOURS
                    moves.append(moving or changed or settling)
                    odd.append(control_table(*archive, SETTINGS)["flagged"].any())
                    told.append((rows["verdict"] != Verdict.TOO_FEW).mean())
                    covers.append(holds(rows, 0.0))
                yield (
                    f"lag {lag:.1f}, shared {shared:.1f}, {days:2d} days: anything moves "
                    f"{np.mean(moves):.3f}, newest odd {np.mean(odd):.3f}, slope covered "
                    f"{np.mean(covers):.3f}, can be told {np.mean(told):.2f}"
                )


def best_possible(share: float) -> Iterator[str]:
    """Serial correlation known exactly and one figure: the best slope coverage of a bend-free line.

    With it estimated from one figure alone (no page), which is what a page of one figure has.
    """
    for lag in (0.3, 0.6):
        for days in DAYS:
            rng = np.random.default_rng([days, int(10 * lag)])
            covers = []
            hours = BREAK_IN_HOURS + 10.0 * np.arange(days)
            for _ in range(max(20, int(400 * share))):
                values = scatter(rng, "normal", days, lag)[:1]
                rows = drift_table(*archive_of(long_table(values, hours)), SETTINGS)
                covers.append(holds(rows, 0.0))
            yield f"one figure, lag {lag:.1f}, {days:2d} days: slope covered {np.mean(covers):.3f}"


def coverage(share: float) -> Iterator[str]:
    """Slope interval 93 to 97 %: scatter of any kind, 1 to 3 repeats a day, unequal spacing."""
    for kind in ("normal", "t3", "growing"):
        for days in DAYS:
            rng = np.random.default_rng([days, len(kind)])
            covers, tails = [], []
            for _ in range(max(5, int(60 * share))):
                each = rng.integers(1, 4, days)
                day = np.repeat(np.arange(days), each)
                hours = uneven_hours(rng, days)[day] + 0.1 * np.arange(len(day)) / len(day)
                values = scatter(rng, kind, days)[:, day] - 0.5 * (hours - 30.0) / 100.0
                values += 0.5 * rng.standard_normal(values.shape)
                rows = drift_table(*archive_of(long_table(values, hours, day=day)), SETTINGS)
                covers.append(holds(rows, -0.5))
                flat = values + 0.5 * (hours - 30.0) / 100.0
                rows = drift_table(*archive_of(long_table(flat, hours, day=day)), SETTINGS)
                tails.append(np.mean(rows["p_trend"] < 0.01))
            yield (
                f"{kind:>8}, {days:2d} days: slope covered {np.mean(covers):.3f}, "
                f"p < 0.01 in {np.mean(tails):.4f} of figures without a trend"
            )


def limit_hours(share: float) -> Iterator[str]:
    """Limit hours: covered in 90 % or more, or 'cannot be told yet'."""
    for power in (0.5, 1.0, 1.5, 2.0):
        for seen in (0.5, 0.8):
            for days in (12, 30):
                rng = np.random.default_rng([days, int(10 * power), int(10 * seen)])
                covers, bounded = [], []
                for _ in range(max(3, int(20 * share))):
                    hours = BREAK_IN_HOURS + np.linspace(0.0, 300.0, days)
                    full = 300.0 / seen ** (1.0 / power)
                    truth = -2.0 * ((hours - BREAK_IN_HOURS) / full) ** power
                    values = truth + 0.15 * scatter(rng, "normal", days)
                    rows = drift_table(*archive_of(long_table(values, hours)), SETTINGS)
                    origin = rows["baseline_hours"] - BREAK_IN_HOURS
                    level = 2.0 + 2.0 * (np.maximum(origin, 0.0) / full) ** power
                    meets = BREAK_IN_HOURS + full * (level / 2.0) ** (1.0 / power)
                    low = rows["hours_at_limit_low"].fillna(-np.inf)
                    high = rows["hours_at_limit_high"].fillna(np.inf)
                    covers.append(np.mean((low <= meets) & (meets <= high)))
                    bounded.append(np.mean(np.isfinite(high)))
                yield (
                    f"hours^{power:.1f}, seen to {seen:.0%} of the limit, {days:2d} days: covered "
                    f"{np.mean(covers):.3f}, both ends stated {np.mean(bounded):.2f}"
                )


def power(share: float) -> Iterator[str]:
    """Detectable slope (80 % power) within 1.3 of that of the exact t test at the page's level."""
    for days in DAYS:
        rng = np.random.default_rng(days)
        hours = BREAK_IN_HOURS + 10.0 * np.arange(days)
        spread = np.sqrt(np.sum((hours - hours.mean()) ** 2)) / 100.0
        level = 1.0 - 0.95 ** (1.0 / FIGURES)
        edge = t.isf(level / 2.0, days - 2)
        sizes = np.linspace(0.5, 60.0, 2000)
        # The power of a t test: that of a normal one, averaged over the scatter it estimates.
        estimates = np.sqrt(chi2.ppf((np.arange(1000) + 0.5) / 1000.0, days - 2) / (days - 2))
        exact = np.mean(norm.sf(edge * estimates[:, None] - sizes), axis=0)
        perfect = float(np.interp(0.8, exact, sizes)) / spread
        known = float(norm.isf(level / 2.0) + norm.isf(0.2)) / spread
        # One figure of the page wears; the others do not.
        slopes = perfect * np.array([0.9, 1.0, 1.15, 1.3, 1.5])
        seen = []
        for slope in slopes:
            found = []
            for _ in range(max(20, int(150 * share))):
                values = scatter(rng, "normal", days)
                values[0] -= slope * (hours - 30.0) / 100.0
                rows = drift_table(*archive_of(long_table(values, hours)), SETTINGS)
                found.append(rows["verdict"].iloc[0] in (Verdict.DRIFTING, Verdict.PAST_LIMIT))
            seen.append(np.mean(found))
        reached = np.interp(0.8, np.maximum.accumulate(seen), slopes)
        yield (
            f"{days:2d} days: detectable {reached:.2f} sd per 100 h, exact t test {perfect:.2f} "
            f"(ratio {reached / perfect:.2f}), scatter known {known:.2f}"
        )


def sentences(share: float) -> Iterator[str]:
    """Random archives of known truth: false statements on at most 5 % of pages."""
    archives = max(30, int(1000 * share))
    said = [false_statements(seed) for seed in range(archives)]
    wrong = [statement for statements in said for statement in statements]
    yield f"{archives} pages: {np.mean([bool(found) for found in said]):.3f} with a false statement"
    kinds = sorted({statement.partition(":")[0] for statement in wrong})
    yield from (f"  {sum(s.startswith(kind + ':') for s in wrong):3d} {kind}" for kind in kinds)


def degenerates(share: float) -> Iterator[str]:
    """Degenerate archives: tables and a sentence for each, no crash."""
    archives = max(50, int(2000 * share))
    for seed in range(archives):
        interpret(seed)
    yield f"{archives} degenerate archives without a crash"


def interpret(seed: int) -> list[str]:
    """Interpret one degenerate archive; returns the sentences of its styli."""
    metrics, captures, styli = degenerate(seed)
    drift = drift_table(metrics, captures, styli, {})
    control = control_table(metrics, captures, styli, {})
    odd = odd_captures_table(metrics, captures, styli, {})
    states = stylus_states(drift, captures, styli, {}, odd)
    advice_table(drift, control, captures, styli, {})
    return list(states["sentence"])


def scale(share: float) -> Iterator[str]:
    """Time of the drift table and the control charts for 250 captures of 60 figures a stylus."""
    rng = np.random.default_rng(1)
    styli = max(1, int(40 * share))
    began = time.perf_counter()
    for i in range(styli):
        values = scatter(rng, "normal", 250)
        archive = archive_of(long_table(values, uneven_hours(rng, 250), stylus=f"s{i}"))
        analysis = analyse_archive(*archive, SETTINGS)
        drift_table(*archive, SETTINGS, analysis)
        control_table(*archive, SETTINGS, analysis)
        odd_captures_table(*archive, SETTINGS, analysis)
    yield f"{styli} styli of 250 captures: {time.perf_counter() - began:.1f} s"


STUDIES: dict[str, Callable[[float], Iterator[str]]] = {
    study.__name__: study
    for study in (
        pages,
        best_possible,
        coverage,
        limit_hours,
        power,
        sentences,
        degenerates,
        scale,
    )
}


def main() -> None:
    """Run the studies that the command line names, or all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("studies", nargs="*", choices=[*STUDIES, []])
    parser.add_argument("--share", type=float, default=1.0, help="share of the histories drawn")
    arguments = parser.parse_args()
    for name in arguments.studies or STUDIES:
        print(f"{name}: {(STUDIES[name].__doc__ or '').splitlines()[0]}", flush=True)
        for line in STUDIES[name](arguments.share):
            print("  " + line, flush=True)


if __name__ == "__main__":
    main()
