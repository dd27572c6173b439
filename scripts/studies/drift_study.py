"""Simulation studies of the drift analysis: what it says against what is true.

    python scripts/studies/drift_study.py                    all studies
    python scripts/studies/drift_study.py --share 0.1 power  a tenth of the histories, one study
    python scripts/studies/drift_study.py --piece 1/6 pages  every sixth line of a study
    python scripts/studies/drift_study.py --seed 2 pages     other histories

Every study draws histories of known truth, sends them through the functions of the workflow and
prints what came out beside what is promised, with the standard error that the number of histories
leaves. A page has 60 figures, independent or with a
correlation of 0.5, unless a line says otherwise.
"""

import argparse
import time
from collections import Counter
from collections.abc import Callable, Sequence
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from scipy.stats import chi2, f, norm, t

import degenerate_archives
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

FIGURES = 60
#: Sizes are studied by themselves: every change counts here.
SETTINGS = {"least_changes": {METRIC: None}}
DAYS = (8, 12, 20, 40)
BREAK_IN_HOURS = 30.0


def drawing(seed: int, *line: float) -> np.random.Generator:
    """Return the source of chance of one line of a study."""
    return np.random.default_rng([seed, *(round(10 * part) for part in line)])


def stated(seen: Sequence[float]) -> str:
    """Return a mean with the standard error that the number of independent draws leaves it."""
    mean = float(np.mean(seen))
    return f"{mean:.4f} +- {float(np.std(seen)) / np.sqrt(len(seen)):.4f}"


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


def pages(share: float, seed: int, kind: str, lag: float, shared: float, days: int) -> str:
    """No wear: a page says that anything moves in at most 6 %, the newest is odd in at most 5 %."""
    rng = drawing(seed, days, lag, shared, len(kind))
    moves, odd, tellable, covers, parts = [], [], [], [], []
    for _ in range(max(10, int(300 * share))):
        hours = BREAK_IN_HOURS + 10.0 * np.arange(days)
        if lag == 0.0:
            hours = uneven_hours(rng, days)
        values = scatter(rng, kind, days, lag, shared)
        archive = archive_of(long_table(values, hours))
        analysis = analyse_archive(*archive, SETTINGS)
        rows = drift_table(*archive, SETTINGS, analysis)
        moving = rows["verdict"].isin(["drifting", "confounded", "past_limit"]).any()
        changed = rows["change_at_hours"].notna().any()
        settling = rows["break_in_hours"].max() > BREAK_IN_HOURS
        moves.append(moving or changed or settling)
        parts.append([moving, changed, settling])
        newest = control_table(*archive, SETTINGS, analysis)["flagged"].any()
        odd.append(newest or len(odd_captures_table(*archive, SETTINGS, analysis)) > 0)
        tellable.append((rows["verdict"] != "too_few").mean())
        covers.append(holds(rows, 0.0))
    trend, step, settles = np.mean(parts, axis=0)
    return (
        f"{kind}, lag {lag:.1f}, shared {shared:.1f}, {days:2d} days, {len(moves)} pages: anything "
        f"moves {stated(moves)} (trend {trend:.3f}, step {step:.3f}, settling {settles:.3f}), any "
        f"capture odd {stated(odd)}, slope covered {stated(covers)}, can be stated "
        f"{np.mean(tellable):.2f}"
    )


def known_correlation(share: float, seed: int, lag: float, days: int) -> str:
    """The best possible: a t test of figures whose serial correlation is known exactly.

    Its detectable slope beside that of independent days is what correlation costs any method.
    """
    hours = 10.0 * np.arange(days) / 100.0
    alike = lag ** np.abs(np.subtract.outer(np.arange(days), np.arange(days)))
    design = np.column_stack([np.ones(days), hours])

    def error(covariance: np.ndarray) -> float:
        return float(np.sqrt(np.linalg.inv(design.T @ np.linalg.solve(covariance, design))[1, 1]))

    level = 1.0 - 0.95 ** (1.0 / FIGURES)
    reach = t.isf(level / 2.0, days - 2) + norm.isf(0.2)
    dependent, independent = (reach * error(one) for one in (alike, np.eye(days)))
    rng = drawing(seed, days, lag)
    covers = []
    for _ in range(max(20, int(400 * share))):
        values = scatter(rng, "normal", days, lag)[:1]
        rows = drift_table(*archive_of(long_table(values, 30.0 + 100.0 * hours)), SETTINGS)
        covers.append(holds(rows, 0.0))
    return (
        f"lag {lag:.1f}, {days:2d} days: detectable {dependent:.2f} sd per 100 h with the "
        f"correlation known, {independent:.2f} without any; one figure alone, correlation "
        f"estimated: slope covered {stated(covers)}"
    )


def coverage(share: float, seed: int, kind: str, days: int) -> str:
    """Slope interval 93 to 97 %: scatter of any kind, 1 to 3 repeats a day, unequal spacing."""
    rng = drawing(seed, days, len(kind))
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
    return (
        f"{kind:>8}, {days:2d} days, {len(covers)} pages: slope covered {stated(covers)}, "
        f"p < 0.01 in {stated(tails)} of figures without a trend"
    )


def pooled_scatter(share: float, seed: int, days: int, between: float) -> str:
    """Slope interval from the residuals alone, and from residuals pooled with 40 repeats.

    Days scatter by `between` variances of repeats beyond them. Both are pooled unless the residuals
    are significantly larger (twice the median of F: Paull 1950, from memory).
    """
    rng = drawing(seed, days, between)
    count, free, repeats = max(1000, int(100_000 * share)), days - 2, 40
    error = np.sqrt(1.0 + between) * rng.standard_normal(count)
    residual = (1.0 + between) * rng.chisquare(free, count) / free
    repeated = rng.chisquare(repeats, count) / repeats
    differ = residual > 2.0 * f.isf(0.5, free, repeats) * repeated
    both = (free * residual + repeats * repeated) / (free + repeats)
    variance = np.where(differ, residual, both)
    degrees = np.where(differ, free, free + repeats)
    alone, pooled = (
        np.abs(error) <= t.isf(0.025, freedom) * np.sqrt(found)
        for freedom, found in ((free, residual), (degrees, variance))
    )
    return (
        f"{days:2d} days, variance between days {between:.2f} of that of repeats: slope covered "
        f"{stated(alone)} by residuals alone, {stated(pooled)} pooled"
    )


def limit_hours(share: float, seed: int, power: float, seen: float, days: int) -> str:
    """Limit hours: covered in 90 % or more, or 'not yet known'."""
    rng = drawing(seed, days, power, seen)
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
    return (
        f"hours^{power:.1f}, seen to {seen:.0%} of the limit, {days:2d} days, {len(covers)} pages: "
        f"covered {stated(covers)}, both ends stated {np.mean(bounded):.2f}"
    )


def copies(share: float, seed: int, apart: float, a_day: int) -> str:
    """Two copies in turn: captures booked rightly are not named, one booked on the other is."""
    rng = drawing(seed, apart, a_day)
    false, right, wrong = [], [], []
    for _ in range(max(5, int(100 * share))):
        played = np.arange(20) % 2
        day = np.arange(20) // a_day
        hours = uneven_hours(rng, 20)[day] + 0.1 * (np.arange(20) % a_day)
        values = scatter(rng, "normal", 20) + apart * rng.standard_normal((FIGURES, 1)) * played
        place = int(rng.integers(2, 18))
        for exchanged in (False, True):
            booked = played.copy()
            # Within a day both captures are exchanged, else one is booked on the other copy.
            at = np.flatnonzero(day == day[place]) if exchanged else np.array([], dtype=int)
            booked[at] = 1 - booked[at]
            table = long_table(values, hours, day=day)
            table["copy"] = np.tile(np.where(booked == 1, "new", "old"), FIGURES)
            odd = odd_captures_table(*archive_of(table), SETTINGS)
            named = set(odd.loc[odd["fits_record"].notna(), "capture"])
            truly = {f"one-{i:05d}" for i in at}
            if exchanged:
                right.append(truly <= named)
                wrong.append(bool(named - truly))
            else:
                false.append(bool(named))
    return (
        f"copies {apart:.1f} sd apart, {a_day} a day, {len(false)} pages: named without cause "
        f"{stated(false)}; with one exchanged: named {stated(right)}, another named {stated(wrong)}"
    )


def power(share: float, seed: int, days: int) -> str:
    """Detectable slope (80 % power) within 1.3 of that of the exact t test at the page's level."""
    rng = drawing(seed, days)
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
            found.append(rows["verdict"].iloc[0] in ("drifting", "past_limit"))
        seen.append(np.mean(found))
    chance = np.sqrt(np.array(seen) * (1.0 - np.array(seen)) / len(found))
    reached, latest, first = (
        float(np.interp(0.8, np.maximum.accumulate(one), slopes))
        for one in (np.array(seen), seen - chance, seen + chance)
    )
    return (
        f"{days:2d} days, {len(found)} pages a slope: detectable {reached:.2f} sd per 100 h, exact "
        f"t test {perfect:.2f} (ratio {reached / perfect:.2f} +- "
        f"{0.5 * (latest - first) / perfect:.2f}), scatter known {known:.2f}"
    )


def sentences(share: float, seed: int, part: int) -> str:
    """Random archives of known truth: false statements on at most 5 % of pages."""
    archives = max(3, int(1000 * share / PARTS))
    said = [false_statements(seed * FAR + part * archives + i) for i in range(archives)]
    wrong = [statement for statements in said for statement in statements]
    kinds = Counter(statement.partition(":")[0] for statement in wrong)
    counted = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
    false = sum(bool(found) for found in said)
    return f"{archives} pages: {false} with a false statement ({counted or 'none'})"


def degenerates(share: float, seed: int, part: int) -> str:
    """Degenerate archives: tables and a sentence for each, no crash."""
    archives = max(5, int(2000 * share / PARTS))
    for i in range(archives):
        interpret(seed * FAR + part * archives + i)
    return f"{archives} degenerate archives without a crash"


def whole_archives(share: float, seed: int, part: int) -> str:
    """Degenerate archives on disk: every table and page of stage 5, no crash.

    Pictures are drawn up; turning them into files costs most (4.5 s an archive with it, 1.8 s
    without) and is done for one in twenty.
    """
    archives = max(1, int(2000 * share / PARTS))
    for i in range(archives):
        with TemporaryDirectory() as folder:
            place = seed * FAR + part * archives + i
            degenerate_archives.everything(place, Path(folder), rendered=i % 20 == 0)
    return f"{archives} archives with all their pages without a crash"


def interpret(seed: int) -> list[str]:
    """Interpret one degenerate archive; returns the sentences of its styli."""
    metrics, captures, styli = degenerate(seed)
    drift = drift_table(metrics, captures, styli, {})
    control = control_table(metrics, captures, styli, {})
    odd = odd_captures_table(metrics, captures, styli, {})
    states = stylus_states(drift, captures, styli, {}, odd)
    advice_table(drift, control, captures, styli, {})
    return list(states["sentence"])


def scale(share: float, seed: int) -> str:
    """Time of the drift table and the control charts for 250 captures of 60 figures a stylus."""
    rng = drawing(seed)
    styli = max(1, int(40 * share))
    began = time.perf_counter()
    for i in range(styli):
        values = scatter(rng, "normal", 250)
        archive = archive_of(long_table(values, uneven_hours(rng, 250), stylus=f"s{i}"))
        analysis = analyse_archive(*archive, SETTINGS)
        drift_table(*archive, SETTINGS, analysis)
        control_table(*archive, SETTINGS, analysis)
        odd_captures_table(*archive, SETTINGS, analysis)
    return f"{styli} styli of 250 captures: {time.perf_counter() - began:.1f} s"


#: Parts into which studies of many archives are split.
PARTS = 10
#: Archives of another seed are this far away.
FAR = 100_000
#: Each study, and what its lines are for.
STUDIES: dict[str, tuple[Callable[..., str], list[tuple[Any, ...]]]] = {
    "pages": (
        pages,
        [
            *(("normal", lag, shared, n) for lag in (0.0, 0.3, 0.6) for shared in (0.0, 0.5)
              for n in DAYS),
            *((kind, 0.0, 0.0, n) for kind in ("t3", "growing") for n in DAYS),
        ],
    ),
    "known_correlation": (known_correlation, list(product((0.3, 0.6), DAYS))),
    "coverage": (coverage, list(product(("normal", "t3", "growing"), DAYS))),
    "pooled_scatter": (pooled_scatter, list(product((8, 20), (0.0, 0.5, 1.0, 2.0)))),
    "limit_hours": (limit_hours, list(product((0.5, 1.0, 1.5, 2.0), (0.5, 0.8), (12, 30)))),
    "copies": (copies, list(product((1.0, 2.0, 4.0), (1, 2)))),
    "power": (power, [(n,) for n in DAYS]),
    "sentences": (sentences, [(part,) for part in range(PARTS)]),
    "degenerates": (degenerates, [(part,) for part in range(PARTS)]),
    "whole_archives": (whole_archives, [(part,) for part in range(PARTS)]),
    "scale": (scale, [()]),
}  # fmt: skip


def main() -> None:
    """Run the studies that the command line names, or all."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("studies", nargs="*", choices=[*STUDIES, []])
    parser.add_argument("--share", type=float, default=1.0, help="share of the histories drawn")
    parser.add_argument(
        "--piece", default="1/1", metavar="K/N", help="every Nth line, from the Kth"
    )
    parser.add_argument("--seed", type=int, default=1, help="another one draws other histories")
    arguments = parser.parse_args()
    piece, of = map(int, arguments.piece.split("/"))
    for name in arguments.studies or STUDIES:
        study, lines = STUDIES[name]
        print(f"{name}: {(study.__doc__ or '').splitlines()[0]}", flush=True)
        for line in lines[piece - 1 :: of]:
            print("  " + study(arguments.share, arguments.seed, *line), flush=True)


if __name__ == "__main__":
    main()
