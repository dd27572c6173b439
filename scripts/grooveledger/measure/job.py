"""All measures of one capture, from observation files to measure files."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.metrics import capture_metrics
from grooveledger.measure.plausibility import checked
from grooveledger.measure.quantities import MEASURES
from grooveledger.measure.remarks import remarks
from grooveledger.plan import Cartridge, Chain, Side
from grooveledger.schemas.capture_metrics import CAPTURE_METRICS, REMARKS
from grooveledger.schemas.observe import (
    NOISE_DENSITY,
    NOISE_LEVEL,
    ORDERS,
    SPEED_TRACE,
    TONE_SPECTRUM,
)
from grooveledger.schemas.table import Table
from grooveledger.storage import tables
from grooveledger.storage.provenance import FAULT, inherited

#: Part of half the sampling rate up to which a curve can be expected.
USABLE_PART = 0.9
OBSERVED: tuple[Table, ...] = (ORDERS, TONE_SPECTRUM, SPEED_TRACE, NOISE_DENSITY, NOISE_LEVEL)
#: Tables that are written.
MEASURED = (*MEASURES, "metrics", "remarks")


def measure_capture(
    folder: Path, observations: Sequence[str | Path], output: Path, job: Mapping[str, Any]
) -> None:
    """Measure a capture and write a table a measure, its scalars, and what is remarkable about it.

    Parameters
    ----------
    folder : Path
        Holds the capture's tracks and health tables.
    observations : sequence of path
        Its observation files; those that its side has no use for are taken as empty.
    output : Path
        Where the tables go.
    """
    settings = job["settings"]
    side, cartridge = Side.from_mapping(job["side"]), Cartridge.from_mapping(job["cartridge"])
    observed: dict[str, Mapping[str, np.ndarray]] = {
        table.name: tables.columns(tables.empty(table)) for table in OBSERVED
    }
    faults = []
    for path in observations:
        observed[Path(path).stem] = tables.read_columns(path)
        faults += [text for key, text in tables.provenance(path).items() if key == FAULT]
    tracks = tables.read_columns(folder / "tracks.parquet")
    chain = Chain.from_mapping(job["chain"])
    health = tables.read_columns(folder / "health.parquet")
    if health["channel_order"][0] == "exchanged":
        # The capture is flagged for it; its figures are those of the channels they are named for.
        chain = replace(chain, swap_channels=not chain.swap_channels)
    origin = inherited(job, [folder / "tracks.parquet", *map(Path, observations)])
    context = CaptureContext(
        capture=job["capture"],
        side=side,
        chain=chain,
        cartridge=cartridge,
        settings=settings["remarks"],
        tracks=tracks,
        observations=observed,
    )
    measures: dict[str, Mapping[str, np.ndarray]] = {}
    for name, declared in MEASURES.items():
        own = {**settings[declared.block or name], "mains_hz": settings["mains_hz"]}
        rows = declared.measure(replace(context, settings=own))
        if rows.num_rows:
            measures[name] = tables.columns(rows)
    said = remarks(context, measures)
    top_hz = USABLE_PART * 0.5 * float(np.nan_to_num(health["sample_rate_hz"][0]))
    plausible = checked(measures, context, top_hz)
    for name, declared in MEASURES.items():
        rows = tables.empty(declared.table)
        if name in measures:
            rows = tables.build(declared.table, plausible.tables[name])
        tables.write(declared.table, rows, output / f"{name}.parquet", origin)
    scalars = capture_metrics(plausible.tables, side, cartridge, chain, settings["response"])
    rows = tables.build(CAPTURE_METRICS, {"capture": job["capture"], **scalars})
    tables.write(CAPTURE_METRICS, rows, output / "metrics.parquet", origin)
    seen = [*((None, fault) for fault in dict.fromkeys(faults)), *said, *plausible.remarks]
    rows = tables.build(
        REMARKS,
        {
            "capture": job["capture"],
            "track": [track for track, _ in seen],
            "remark": [text for _, text in seen],
        },
    )
    tables.write(REMARKS, rows, output / "remarks.parquet", origin)
