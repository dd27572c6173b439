"""Random archives at the edge of what can be interpreted, for the fuzz of stage 5."""

import numpy as np
import pandas as pd

#: What a degenerate archive holds, by kind of its hours, values and captures.
HOURS = ("usual", "same", "two", "missing", "some missing", "break-in", "short span", "huge")
VALUES = ("usual", "constant", "zero", "huge", "tiny", "sparse", "bounds", "two levels", "missing")
STATUS = ("ok", "all rejected", "some rejected")
METRICS = (
    ("response_10khz_db", "left", "dB"),
    ("response_10khz_db", "right", "dB"),
    ("separation_1khz_db", "left", "dB"),
    ("output_mv", "left", "mV"),
    ("thd_10khz_pct", "right", "%"),
    ("speed_error_pct", "both", "%"),
    ("noise_a_db", "left", "dB"),
    ("hum_db", "left", "dB"),
    ("a_figure_of_ones_own", "both", "dB"),
)


def degenerate(seed: int) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return metrics, captures and styli of one random archive, most of it degenerate."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 4))
    styli = pd.DataFrame(
        {
            "stylus": [f"s{i}" for i in range(count)],
            "cartridge": ["type" if rng.random() < 0.7 else f"type-{i}" for i in range(count)],
            "fitted_on": [f"20{20 + i}-01-01" for i in range(count)],
            "break_in_hours": [float(rng.choice([0.0, 30.0, np.nan])) for _ in range(count)],
        }
    )
    parts, sheets = [], []
    for row in styli.itertuples():
        n = int(rng.choice([0, 1, 2, 5, 6, 7, 12, 25]))
        sheet = _captures(rng, row.stylus, row.cartridge, n)
        sheets.append(sheet)
        for metric, channel, unit in METRICS:
            if rng.random() < 0.8 and n:
                parts.append(_figures(rng, sheet, metric, channel, unit))
    captures = pd.concat(sheets, ignore_index=True)
    names = ["capture", "metric", "channel", "value", "unit", "uncertainty", "limited"]
    empty = pd.DataFrame(columns=[*names, "track", "track_position", *captures.columns[1:-1]])
    metrics = pd.concat(parts, ignore_index=True) if parts else empty
    # Drawn apart: an archive of a number stays the same otherwise.
    draw = np.random.default_rng([seed, 5])
    labels = ["old", "new", None] if draw.random() < 0.3 else [None]
    captures["copy"] = draw.choice(np.array(labels, dtype=object), len(captures))
    copies = dict(zip(captures["capture"], captures["copy"], strict=True))
    metrics["copy"] = metrics["capture"].map(copies).astype(object)
    return metrics.drop(columns="status", errors="ignore"), captures, styli


def _captures(rng: np.random.Generator, stylus: str, cartridge: str, n: int) -> pd.DataFrame:
    kind = rng.choice(HOURS)
    hours = {
        "usual": 30.0 + np.cumsum(rng.exponential(10.0, n)),
        "same": np.full(n, 151.2),
        "two": np.where(np.arange(n) < n // 2, 60.0, 200.0),
        "missing": np.full(n, np.nan),
        "some missing": np.where(rng.random(n) < 0.3, np.nan, 40.0 + 10.0 * np.arange(n)),
        "break-in": np.linspace(0.0, 20.0, n),
        "short span": 150.6 + np.linspace(0.0, 2.0, n),
        "huge": 1e6 * np.arange(1.0, n + 1.0),
    }[str(kind)]
    each = int(rng.integers(1, 4))
    dates = np.datetime64("2021-03-01") + 7 * (np.arange(n) // each)
    dated = [str(date) if rng.random() < 0.97 else None for date in dates]
    warm = rng.choice(["none", "hours", "free"])
    temperature = {
        "none": np.full(n, np.nan),
        "hours": 0.1 * np.nan_to_num(hours),
        "free": rng.normal(20.0, 2.0, n),
    }[str(warm)]
    status = {
        "ok": ["ok"] * n,
        "all rejected": ["rejected"] * n,
        "some rejected": [str(rng.choice(["ok", "rejected", "flagged"])) for _ in range(n)],
    }[str(rng.choice(STATUS, p=[0.7, 0.1, 0.2]))]
    return pd.DataFrame(
        {
            "capture": [f"{stylus}-{i:03d}" for i in range(n)],
            "stylus": stylus,
            "cartridge": cartridge,
            "stylus_hours": hours,
            "captured_at": dated,
            "record": [str(rng.choice(["a", "b"])) if rng.random() < 0.3 else "a" for _ in dates],
            "side": "a",
            "record_plays": np.arange(n, dtype=float) if rng.random() < 0.5 else np.full(n, np.nan),
            "chain": [str(rng.choice(["x", "y"])) if rng.random() < 0.2 else "x" for _ in dates],
            "temperature_c": temperature,
            "status": status,
        }
    )


def _figures(
    rng: np.random.Generator, sheet: pd.DataFrame, metric: str, channel: str, unit: str
) -> pd.DataFrame:
    n = len(sheet)
    kind = str(rng.choice(VALUES))
    noise = rng.standard_normal(n)
    values = {
        "usual": 5.0 + 0.1 * noise - 0.05 * np.arange(n) * (rng.random() < 0.3),
        "constant": np.full(n, -23.1),
        "zero": np.zeros(n),
        "huge": 1e300 * noise if rng.random() < 0.5 else 1e12 * (1.0 + 1e-6 * noise),
        "tiny": 1e-200 * noise,
        "sparse": np.where(rng.random(n) < 0.7, np.nan, noise),
        "bounds": noise,
        "two levels": np.where(np.arange(n) < n // 2, 1.0, 2.0),
        "missing": np.full(n, np.nan),
    }[kind]
    rows = sheet.assign(
        metric=metric,
        channel=channel,
        value=values,
        unit=unit,
        uncertainty=np.where(rng.random(n) < 0.9, 0.1, np.nan),
        limited=(rng.random(n) < 0.5) if kind == "bounds" else False,
        track=1,
        track_position=0,
    )
    if rng.random() < 0.3:
        rows = pd.concat([rows, rows.assign(track=7, track_position=6)], ignore_index=True)
    return rows
