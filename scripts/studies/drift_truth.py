"""Random archives of known truth, and every statement about their styli held to it."""

import re
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

import library_path  # noqa: F401
from drift_histories import archive_of, long_table, uneven_hours
from grooveledger.interpret.drift import (
    advice_table,
    control_table,
    drift_table,
    odd_captures_table,
    stylus_states,
)
from grooveledger.schemas.states import MOVING, Status

BREAK_IN_HOURS = 30.0
#: Days that a trend needs, by default.
LEAST_DAYS = 6
#: Figures of a page: metric, channel, level, scatter, wear per 100 h, change at the limit.
FIGURES = (
    ("response_10khz_db", "left", -0.3, 0.15, -0.6, -2.0),
    ("response_10khz_db", "right", -0.4, 0.15, -0.6, -2.0),
    ("response_15khz_db", "left", -1.0, 0.25, -1.0, -3.0),
    ("separation_1khz_db", "left", 26.0, 0.4, -1.5, -6.0),
    ("separation_1khz_db", "right", 27.0, 0.4, -1.5, -6.0),
    ("balance_db", "both", 0.3, 0.1, 0.5, 2.0),
    ("resonance_lateral_hz", "lateral", 9.5, 0.2, -0.6, None),
    ("noise_a_db", "left", -62.0, 0.8, 1.2, None),
)


class Truth(NamedTuple):
    """What is true of one figure: wear with a power of the hours since break-in, and a step."""

    slope: float
    power: float
    span: float
    step: float
    step_hours: float
    change: float

    def wear(self, hours: "np.ndarray | float") -> "np.ndarray | float":
        """Return the change by wear since the end of break-in."""
        share = np.maximum(np.asarray(hours) - BREAK_IN_HOURS, 0.0) / self.span
        return self.slope * self.span / 100.0 * share**self.power

    def limit_hours(self, baseline_hours: float) -> float:
        """Return the hours at which the limit's change from the baseline is reached."""
        wanted = float(self.wear(baseline_hours)) + self.change
        whole = self.slope * self.span / 100.0
        if not np.isfinite(wanted) or whole * self.change <= 0.0:
            return np.inf
        return float(BREAK_IN_HOURS + self.span * (wanted / whole) ** (1.0 / self.power))


def _archive(seed: int) -> tuple[tuple[pd.DataFrame, ...], dict[tuple[str, str], Truth], int]:
    rng = np.random.default_rng([seed, 7])
    days = int(rng.choice([4, 8, 12, 20, 40]))
    each = rng.integers(1, 3, days) if rng.random() < 0.3 else np.ones(days, dtype=int)
    day = np.repeat(np.arange(days), each)
    hours = uneven_hours(rng, days)[day]
    wears = rng.random() < 0.5
    knock = rng.random() < 0.15 and days >= 12
    odd = int(rng.integers(len(day))) if rng.random() < 0.15 else -1
    power = float(rng.choice([0.6, 1.0, 1.0, 1.5]))
    truths, parts = {}, []
    place = float(np.quantile(hours, 0.5)) + 1e-6
    for metric, channel, level, sd, slope, change in FIGURES:
        own = slope * rng.uniform(0.4, 2.0) if wears and rng.random() < 0.8 else 0.0
        step = float(rng.choice([-6.0, 6.0])) * sd if knock else 0.0
        span = max(float(hours[-1]) - BREAK_IN_HOURS, 1.0)
        truth = Truth(own, power, span, step, place, np.nan if change is None else change)
        values = level + truth.wear(hours) + step * (hours > place)
        values = values + sd * rng.standard_normal(len(hours))
        if odd >= 0:
            values[odd] += 12.0 * sd
        truths[metric, channel] = truth
        part = long_table(values[None], hours, metric=metric, day=day)
        unit = "Hz" if metric.endswith("hz") else "dB"
        parts.append(part.assign(channel=channel, unit=unit))
    metrics, _, styli = archive_of(*parts)
    captures = metrics.drop_duplicates("capture").assign(status=Status.OK)
    return (metrics, captures, styli.assign(cartridge="type")), truths, odd


def false_statements(seed: int) -> list[str]:
    """Return the statements about the stylus of one random archive that are false."""
    archive, truths, odd = _archive(seed)
    metrics, captures, styli = archive
    drift = drift_table(metrics, captures, styli, {})
    control = control_table(metrics, captures, styli, {})
    unfit = odd_captures_table(metrics, captures, styli, {})
    state = stylus_states(drift, captures, styli, {}, unfit).iloc[0]
    wrong = []
    by_key = {(row.metric, row.channel): row for row in drift.itertuples()}
    for key, row in by_key.items():
        truth = truths[key]
        moves = row.verdict in MOVING
        # A step that was not seen moves a figure as well: that it moves is true.
        total = truth.slope + truth.step
        if moves and not np.isfinite(row.change_at_hours) and total * row.slope_per_100h <= 0.0:
            wrong.append(f"moves: {key}")
        if np.isfinite(row.change_at_hours) and truth.step == 0.0:
            wrong.append(f"changed suddenly: {key}")
        elif np.isfinite(row.change_at_hours) and not (
            row.change_low_hours <= truth.step_hours <= row.change_high_hours
        ):
            wrong.append(f"changed elsewhere: {key}")
    said = str(state["sentence"])
    due = (state["due_metric"], state["due_channel"])
    if due in truths and truths[due].step == 0.0:
        at = truths[due].limit_hours(by_key[due].baseline_hours)
        wrong += _false_limit(said, at, float(state["hours_now"]))
    bound = re.search(r"at 10 kHz by less than ([\d.]+)", said)
    if bound and truths["response_10khz_db", "left"].step == 0.0:
        slopes = [abs(truths["response_10khz_db", side].slope) for side in ("left", "right")]
        powers = truths["response_10khz_db", "left"].power
        if powers == 1.0 and max(slopes) > float(bound.group(1)):
            wrong.append(f"bound: {said}")
    newest = str(captures.sort_values(["stylus_hours", "capture"])["capture"].iloc[-1])
    true_odd = f"one-{odd:05d}" if odd >= 0 else ""
    if control["flagged"].any() and newest != true_odd:
        wrong.append("newest odd: none")
    wrong += [f"odd: {name}" for name in unfit["capture"] if not _on_day(captures, name, true_odd)]
    wrong += _false_recommendation(str(state["recommendation"]), truths, by_key, state)
    for advice in advice_table(drift, control, captures, styli, {})["advice"]:
        wrong += _false_advice(str(advice), captures, true_odd)
    return wrong


def _false_recommendation(
    said: str, truths: dict[tuple[str, str], Truth], by_key: Any, state: Any
) -> list[str]:
    """Return a recommendation that contradicts the truth.

    To replace a stylus of which no figure is beyond its limit, or to play on when the figure that
    decides has long been.
    """
    now = float(state["hours_now"])
    passed = {
        key: truth.limit_hours(by_key[key].baseline_hours)
        for key, truth in truths.items()
        if np.isfinite(truth.change) and np.isfinite(by_key[key].baseline_hours)
    }
    stepped = any(truth.step != 0.0 for truth in truths.values())
    if "replace it" in said and not stepped and not any(at <= now for at in passed.values()):
        return [f"recommendation: {said}"]
    until = re.search(r"microscope before (\d+) h", said)
    due = (state["due_metric"], state["due_channel"])
    if until and due in passed and not stepped and passed[due] < float(until[1]) - 1.0:
        return [f"recommendation: {said}"]
    return []


def _false_advice(said: str, captures: pd.DataFrame, odd: str) -> list[str]:
    """Return advice that rests on what is not so."""
    settled = captures[captures["stylus_hours"] >= BREAK_IN_HOURS]
    days = settled["captured_at"].nunique()
    wanted = re.search(r"Make (\d+) more capture", said)
    again = re.search(r"Capture again at about (\d+) h", said)
    repeated = re.search(r"repeat capture ([\w.-]+)", said)
    false = (
        (wanted and int(wanted[1]) + days != LEAST_DAYS)
        or (again and float(again[1]) < captures["stylus_hours"].max() - 1.0)
        or (repeated and not _on_day(captures, repeated[1], odd))
        or ("twice on one day" in said and captures["captured_at"].duplicated().any())
        # One record, never worn, one chain, no temperature: nothing is to be separated.
        or any(word in said for word in ("copy of", "chain", "room at", "Play record"))
    )
    return [f"advice: {said}"] if false else []


def _on_day(captures: pd.DataFrame, name: str, odd: str) -> bool:
    days = dict(zip(captures["capture"], captures["captured_at"], strict=True))
    return odd in days and days[name] == days[odd]


def _false_limit(said: str, at: float, now: float) -> list[str]:
    """Return a limit's hours in a sentence that are false."""
    between = re.search(r"limit reached between (\d+) and (\d+) h", said)
    if between and not float(between[1]) - 1.0 <= at <= float(between[2]) + 1.0:
        return [f"limit between: {said} {at:.0f}"]
    before = re.search(r"limit not reached before (\d+) h", said)
    if before and at < float(before[1]) - 1.0:
        return [f"limit before: {said} {at:.0f}"]
    passed = re.search(r"limit passed \d+ h ago \((\d+) to (\d+) h\)", said)
    if passed and not float(passed[1]) - 1.0 <= now - at <= float(passed[2]) + 1.0:
        return [f"limit passed: {said} {at:.0f}"]
    return []
