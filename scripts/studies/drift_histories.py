"""Invented histories of styli, for the studies and tests of the drift analysis."""

from typing import Any

import numpy as np
import pandas as pd

import library_path  # noqa: F401
from grooveledger.interpret.drift.table import drift_table

#: A figure on which everything may act, and whose default limit is a fall by 2 dB.
METRIC = "response_10khz_db"
BREAK_IN_HOURS = 30.0
SCATTER_DB = 0.1


def long_table(
    values: np.ndarray,
    hours: np.ndarray,
    *,
    metric: str = METRIC,
    stylus: str = "one",
    day: np.ndarray | None = None,
    plays: np.ndarray | None = None,
    record: np.ndarray | str = "a",
    chain: np.ndarray | str = "bench",
    temperature_c: np.ndarray | float = np.nan,
) -> pd.DataFrame:
    """Return a long table of metrics; `values` (S, n) become S channels of one stylus."""
    count, n = values.shape
    days = np.arange(n) if day is None else day
    per_capture: dict[str, Any] = {
        "capture": [f"{stylus}-{i:05d}" for i in range(n)],
        "stylus_hours": hours,
        "captured_at": [str(np.datetime64("2020-01-01") + int(d)) for d in days],
        "record": np.broadcast_to(np.asarray(record, dtype=object), n),
        "record_plays": np.zeros(n) if plays is None else plays,
        "chain": np.broadcast_to(np.asarray(chain, dtype=object), n),
        "temperature_c": np.broadcast_to(np.asarray(temperature_c, dtype=float), n),
    }
    table = pd.DataFrame({name: np.tile(column, count) for name, column in per_capture.items()})
    table["metric"] = metric
    table["channel"] = np.repeat([f"h{s:05d}" for s in range(count)], n)
    table["value"] = values.ravel()
    table["unit"] = "dB"
    table["uncertainty"] = SCATTER_DB
    table["limited"] = False
    table["track"] = 1
    table["stylus"] = stylus
    table["cartridge"] = "type"
    table["side"] = "a"
    return table


def drift_of(*tables: pd.DataFrame, **settings: Any) -> pd.DataFrame:
    """Return the drift table of long tables."""
    return drift_table(*archive_of(*tables), settings)


def archive_of(*tables: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return metrics, captures and styli of long tables whose captures were all measured well."""
    metrics = pd.concat(tables, ignore_index=True)
    captures = pd.DataFrame({"capture": metrics["capture"].unique(), "status": "ok"})
    styli = pd.DataFrame({"stylus": metrics["stylus"].unique(), "break_in_hours": np.nan})
    return metrics, captures, styli


def scatter(rng: np.random.Generator, kind: str, shape: tuple[int, int]) -> np.ndarray:
    """Return repeatability errors of standard deviation `SCATTER_DB`."""
    # Student t of three degrees of freedom has the variance 3.
    t3 = rng.standard_t(3, shape) / np.sqrt(3.0) if kind == "t3" else 0.0
    return SCATTER_DB * (rng.standard_normal(shape) if kind == "normal" else t3)


def uneven_hours(rng: np.random.Generator, n: int) -> np.ndarray:
    """Return hours after break-in with irregular gaps of 10 h on average."""
    return BREAK_IN_HOURS + np.cumsum(rng.exponential(10.0, n))


def holds(rows: pd.DataFrame, slope: float) -> float:
    """Return the share of slope intervals that hold the true slope."""
    return float(np.mean((rows["slope_low"] <= slope) & (slope <= rows["slope_high"])))


def worn(hours: np.ndarray, plays: np.ndarray, hour: float, play: float) -> np.ndarray:
    """Return what stylus wear (per 100 h) and record wear (per 100 plays) leave of a figure."""
    return hour * (hours - BREAK_IN_HOURS) / 100.0 + play * plays / 100.0


def one_record(
    rng: np.random.Generator, hour: float, play: float, histories: int
) -> list[pd.DataFrame]:
    """One stylus on one record: nothing can separate them."""
    hours = BREAK_IN_HOURS + 10.0 * np.arange(30)
    plays = np.arange(30.0)
    values = worn(hours, plays, hour, play) + scatter(rng, "normal", (histories, 30))
    return [long_table(values, hours, plays=plays)]


def second_copy(
    rng: np.random.Generator, hour: float, play: float, histories: int
) -> list[pd.DataFrame]:
    """Every sixth capture is made from a second copy, which so stays little played."""
    n = 36
    hours = BREAK_IN_HOURS + 10.0 * np.arange(n)
    second = np.arange(n) % 6 == 3
    plays = np.where(second, np.cumsum(second) - 1.0, np.cumsum(~second) - 1.0)
    values = worn(hours, plays, hour, play) + np.where(second, 0.4, 0.0)
    values = values + scatter(rng, "normal", (histories, n))
    record = np.where(second, "b", "a")
    return [long_table(values, hours, plays=plays, record=record)]


def reference_stylus(
    rng: np.random.Generator, hour: float, play: float, histories: int
) -> list[pd.DataFrame]:
    """A second stylus of the type, kept for test captures, plays the record as often."""
    n = 30
    hours = BREAK_IN_HOURS + 10.0 * np.arange(n)
    plays = 2.0 * np.arange(n)
    values = worn(hours, plays, hour, play) + scatter(rng, "normal", (histories, n))
    first = long_table(values, hours, plays=plays)
    hours = BREAK_IN_HOURS + 0.5 * np.arange(n)
    # Styli of one type do not wear exactly alike.
    values = worn(hours, plays + 1.0, 1.3 * hour, play) + 0.5
    values = values + scatter(rng, "normal", (histories, n))
    return [first, long_table(values, hours, plays=plays + 1.0, stylus="two")]


def successor(
    rng: np.random.Generator, hour: float, play: float, histories: int
) -> list[pd.DataFrame]:
    """A second stylus follows the first in the same habits: no help, as its own level is free."""
    n = 30
    hours = BREAK_IN_HOURS + 10.0 * np.arange(n)
    tables = []
    for name, before in (("one", 0.0), ("two", 30.0)):
        plays = before + np.arange(n)
        values = worn(hours, plays, hour, play) + scatter(rng, "normal", (histories, n))
        tables.append(long_table(values, hours, plays=plays, stylus=name))
    return tables
