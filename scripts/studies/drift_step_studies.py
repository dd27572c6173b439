"""Studies of sudden changes for benchmark_drift.py: how often a step is found, and could be."""

import numpy as np

import library_path  # noqa: F401
from drift_histories import BREAK_IN_HOURS, SCATTER_DB, drift_of, holds, long_table, scatter
from grooveledger.interpret.drift.steps import (
    CAPTURES_EACH_SIDE,
    CRITICAL_N,
    FALSE_ALARM,
    largest_step,
)


def steps(histories: int = 2000) -> list[str]:
    """A step of three sigmas found within one capture in 90 %; false alarms under 5 %."""
    lines = []
    for n in (12, 20, 30, 40, 60, 100):
        rng = np.random.default_rng(n)
        hours = BREAK_IN_HOURS + 10.0 * np.arange(n)
        found = {}
        for kind in ("normal", "t3"):
            line = -0.5 * (hours - BREAK_IN_HOURS) / 100.0
            quiet = line + scatter(rng, kind, (histories, n))
            rows = drift_of(long_table(quiet, hours))
            alarms = np.mean(rows["change_at_hours"].notna())
            near, off = [], []
            for place in (n // 5, n // 3, n // 2, n - n // 3, n - n // 5):
                moved = line + scatter(rng, kind, (histories // 4, n))
                moved[:, place:] += 3.0 * SCATTER_DB
                rows = drift_of(long_table(moved, hours))
                capture = (rows["change_at_hours"] + 5.0 - BREAK_IN_HOURS) / 10.0
                near.append(np.mean(np.abs(capture - place) <= 1.0))
                off.append(holds(rows, -0.5))
            found[kind] = (alarms, np.mean(near), min(near), np.mean(off))
        lines += [
            f"{n:3d} captures, {kind:>6}: false alarms {alarms:.3f}, found within one capture "
            f"{near:.3f} (worst place {worst:.3f}), slope coverage with the step {covered:.3f}"
            for kind, (alarms, near, worst, covered) in found.items()
        ]
    return lines


def step_bounds(histories: int = 20000) -> list[str]:
    """How often any method can find a step of three sigmas beside an unknown slope.

    Given away are the scatter and that it is normal; then also the place of the step, or that there
    is one. The last figure is the likelihood ratio at 5 % of false alarms: what `steps` can reach.
    """
    lines = []
    for n in (12, 20, 30, 40, 60):
        rng = np.random.default_rng(n)
        places = np.arange(CAPTURES_EACH_SIDE, n - CAPTURES_EACH_SIDE + 1)
        basis, _ = np.linalg.qr(np.column_stack([np.ones(n), np.arange(float(n))]))
        columns = (np.arange(n)[:, None] >= places[None, :]).astype(float)
        across = columns - basis @ (basis.T @ columns)
        ratio = across / np.linalg.norm(across, axis=0)
        draws = rng.standard_normal((histories, n))
        alarm = np.quantile(np.abs(draws @ ratio).max(axis=1), 0.95)
        told, located, found = [], [], []
        for place in (n // 5, n // 3, n // 2, n - n // 3, n - n // 5):
            step = int(np.clip(place, places[0], places[-1])) - CAPTURES_EACH_SIDE
            z = np.abs((draws + 3.0 * columns[:, step]) @ ratio)
            near = np.abs(z.argmax(axis=1) - step) <= 1
            told.append(np.mean(z[:, step] > np.quantile(np.abs(draws @ ratio[:, step]), 0.95)))
            located.append(np.mean(near))
            found.append(np.mean(near & (z.max(axis=1) > alarm)))
        lines.append(
            f"{n:3d} captures: place known {np.mean(told):.3f} (worst place {min(told):.3f}), "
            f"a step known {np.mean(located):.3f} ({min(located):.3f}), "
            f"neither {np.mean(found):.3f} ({min(found):.3f})"
        )
    return lines


def step_sizes(histories: int = 500) -> list[str]:
    """The step, in sigmas, that is found within one capture in 90 %, averaged over places."""
    lines = []
    for n in (12, 20, 30, 40, 60):
        hours = BREAK_IN_HOURS + 10.0 * np.arange(n)
        for size in np.arange(2.5, 9.0, 0.5):
            rng = np.random.default_rng(n)
            near = []
            for place in (n // 4, n // 2, n - n // 4):
                moved = scatter(rng, "normal", (histories, n))
                moved[:, place:] += size * SCATTER_DB
                rows = drift_of(long_table(moved, hours))
                capture = (rows["change_at_hours"] + 5.0 - BREAK_IN_HOURS) / 10.0
                near.append(np.mean(np.abs(capture - place) <= 1.0))
            if np.mean(near) >= 0.9:
                lines.append(f"{n:3d} captures: {size:.1f} sigmas ({np.mean(near):.3f})")
                break
    return lines


def critical(histories: int = 20000) -> list[str]:
    """The critical values that steps.py holds, drawn again."""
    lines = []
    for n in CRITICAL_N[CRITICAL_N <= 100]:
        rng = np.random.default_rng(int(n))
        design = np.column_stack([np.ones(n), np.arange(float(n))])
        places = np.arange(3, n - 2)
        columns = (np.arange(n)[:, None] >= places[None, :]).astype(float)
        draws = rng.standard_normal((histories, n))
        largest = [largest_step(design, values, columns, places)[1] for values in draws]
        lines.append(f"{n:4d} captures: {np.quantile(largest, 1.0 - FALSE_ALARM):.2f}")
    return lines
