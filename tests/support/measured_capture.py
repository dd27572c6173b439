"""A simulated capture taken through segment, observe and measure, as the workflow's jobs do."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from grooveledger.measure.job import measure_capture
from grooveledger.measure.quantities import MEASURES
from grooveledger.observe.noise_density import observe_noise
from grooveledger.observe.orders import observe_orders
from grooveledger.observe.speed_trace import observe_speed
from grooveledger.plan import Chain, Side
from grooveledger.schemas.observe import (
    NOISE_DENSITY,
    NOISE_LEVEL,
    ORDERS,
    SPEED_TRACE,
    TONE_SPECTRUM,
)
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.segment.job import segment
from grooveledger.storage import tables
from grooveledger.storage.digests import file_sha256

BLOCKS = Path(__file__).parents[2] / "workflow" / "schemas" / "blocks"
NO_ORIGIN = {"code": "test", "job": "test"}


def defaults(block: str) -> dict[str, Any]:
    """Settings of a block of config.yaml where a person gives none."""
    keys = yaml.safe_load((BLOCKS / f"{block}.yaml").read_text(encoding="utf-8"))["properties"]
    return {key: facts.get("default") for key, facts in keys.items()}


@dataclass(frozen=True)
class Measured:
    """Columns of every table of a capture, by name."""

    health: Mapping[str, Any]
    tracks: Mapping[str, np.ndarray]
    tables: Mapping[str, Mapping[str, np.ndarray]]

    def rows(self, name: str, **wanted: Any) -> dict[str, np.ndarray]:
        """Rows of a table that have the values wanted."""
        columns = self.tables[name]
        chosen = np.ones(len(columns["capture"]), dtype=bool)
        for key, value in wanted.items():
            chosen &= columns[key] == value
        return {key: column[chosen] for key, column in columns.items()}

    def metric(self, name: str, channel: str) -> float:
        """Value of a metric, of the first track in the plan that gives it."""
        rows = self.rows("metrics", metric=name, channel=channel)
        return float(rows["value"][np.argmin(rows["track_position"])])


def chain_mapping(chain: Chain) -> dict[str, Any]:
    """The configuration that a chain was made from."""
    facts = asdict(chain)
    return {
        "chain": chain.chain,
        "arm_effective_mass_g": chain.arm_effective_mass_g,
        "cable": {
            key.removeprefix("cable_"): value
            for key, value in facts.items()
            if key.startswith("cable_")
        },
        "preamplifier": {
            "input_resistance_ohm": chain.input_resistance_ohm,
            "input_capacitance_pf": chain.input_capacitance_pf,
            "gain_db": chain.gain_db,
            "equalisation": chain.equalisation,
            "response": [list(row) for row in chain.preamplifier_response],
            "response_tolerance_db": chain.response_tolerance_db,
        },
        "converter": {"full_scale_v_rms": chain.full_scale_v_rms},
        "swap_channels": chain.swap_channels,
        "invert": list(chain.invert),
    }


def measured(
    path: Path,
    side: Mapping[str, Any],
    chain: Chain,
    cartridge: Mapping[str, Any],
    folder: Path,
    orders: Mapping[str, Any] | None = None,
) -> Measured:
    """Take a capture through stages 1 to 3."""
    view = Side.from_mapping(side)
    tracks, health = segment(
        path,
        view,
        defaults("segment"),
        "c",
        swap_channels=chain.swap_channels,
        invert=chain.invert,
        sha256=file_sha256(path),
    )
    tables.write(TRACKS, tracks, folder / "tracks.parquet", NO_ORIGIN)
    tables.write(HEALTH, health, folder / "health.parquet", NO_ORIGIN)
    settings = {**defaults("orders"), **(orders or {})}
    found = observe_orders(path, tracks, view, settings, "c")
    found += (observe_speed(path, tracks, view, defaults("speed"), "c"),)
    found += observe_noise(path, tracks, view, defaults("noise"), "c")
    files = []
    observed = (ORDERS, TONE_SPECTRUM, SPEED_TRACE, NOISE_DENSITY, NOISE_LEVEL)
    for table, rows in zip(observed, found, strict=True):
        files.append(str(folder / "observations" / f"{table.name}.parquet"))
        tables.write(table, rows, files[-1], NO_ORIGIN)
    blocks = {
        name: defaults(name) if (BLOCKS / f"{name}.yaml").exists() else {} for name in MEASURES
    }
    blocks["mains_hz"] = 50
    blocks["remarks"] = defaults("remarks")
    job = {
        "capture": "c",
        "side": side,
        "chain": chain_mapping(chain),
        "cartridge": cartridge,
        "settings": blocks,
        "code": "test",
    }
    measure_capture(folder, files, folder, job)
    made = {
        name: tables.columns(tables.read(folder / f"{name}.parquet"))
        for name in (*MEASURES, "metrics", "remarks")
    }
    return Measured(health.to_pylist()[0], tables.columns(tracks), made)
