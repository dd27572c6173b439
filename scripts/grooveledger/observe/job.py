"""The observations of one capture, from its tracks file to its observation files."""

import importlib
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import pyarrow as pa

from grooveledger.capture.kept_sound import keeping
from grooveledger.faults import CaptureFault
from grooveledger.observe.located_tracks import located_stretches
from grooveledger.plan import Side
from grooveledger.plan.uses import is_speed_tone
from grooveledger.schemas.observe import (
    NOISE_DENSITY,
    NOISE_LEVEL,
    ORDERS,
    SPEED_TRACE,
    TONE_SPECTRUM,
)
from grooveledger.schemas.table import Table
from grooveledger.storage import tables
from grooveledger.storage.digests import check_content, digest
from grooveledger.storage.provenance import FAULT, inherited, made_from


class Observation(NamedTuple):
    """A module of this package, its function that observes, and the tables which that returns."""

    module: str
    function: str
    tables: tuple[Table, ...]


#: Every observation by its name. Modules are loaded when they have something to do: a change in one
#: is none in the others, and no job imports what it does not need.
OBSERVATIONS: dict[str, Observation] = {
    "observe_orders": Observation("orders", "observe_orders", (ORDERS, TONE_SPECTRUM)),
    "observe_speed_trace": Observation("speed_trace", "observe_speed", (SPEED_TRACE,)),
    "observe_noise_density": Observation(
        "noise_density", "observe_noise", (NOISE_DENSITY, NOISE_LEVEL)
    ),
}


def observe_capture(
    captures_dir: Path, tracks: Path, output: Path, jobs: Mapping[str, Mapping[str, Any]]
) -> dict[str, float]:
    """Make every observation of a capture that is stale, and no other.

    An observation is stale where one of its tables is missing or names another origin than its job.
    Tones that two observations read are decoded once.

    Parameters
    ----------
    captures_dir : Path
        Holds the recordings.
    tracks : Path
        The capture's tracks table.
    output : Path
        Folder of the tables.
    jobs : mapping
        What each observation depends on; ``used`` is false where the side has no use for it, which
        makes empty tables.

    Returns
    -------
    dict
        Seconds that each observation took that was made.

    Raises
    ------
    OSError
        The capture can't be read because it is not what it was when the run began.
    """
    stale = {
        name: job
        for name, job in jobs.items()
        if not all(made_from(path, digest(job)) for path in _paths(name, output))
    }
    took = {}
    with keeping(_read_twice(tracks, stale)):
        for name, job in stale.items():
            begin = time.perf_counter()
            _observe(name, captures_dir, tracks, output, job)
            took[name] = time.perf_counter() - begin
    return took


def _observe(
    name: str, captures_dir: Path, tracks: Path, output: Path, job: Mapping[str, Any]
) -> None:
    """Make one observation.

    A capture that can't be read ends as empty tables that say so in their metadata: it stops no
    other, and the measures pass the reason on.
    """
    module, function, declared = OBSERVATIONS[name]
    origin = inherited(job, [tracks])
    made: pa.Table | tuple[pa.Table, ...] = tuple(tables.empty(table) for table in declared)
    if job.get("used", True):
        observe = getattr(importlib.import_module(f"grooveledger.observe.{module}"), function)
        path = captures_dir / job["file"]
        (settings,) = job["settings"].values()
        try:
            made = observe(
                path, tables.read(tracks), Side.from_mapping(job["side"]), settings, job["capture"]
            )
        except CaptureFault as fault:
            check_content(path, job["sha256"])
            origin[FAULT] = str(fault)
    rows = made if isinstance(made, tuple) else (made,)
    for table, part, target in zip(declared, rows, _paths(name, output), strict=True):
        tables.write(table, part, target, origin)


def _paths(name: str, output: Path) -> list[Path]:
    return [output / f"{table.name}.parquet" for table in OBSERVATIONS[name].tables]


def _read_twice(tracks: Path, stale: Mapping[str, Mapping[str, Any]]) -> list[tuple[float, float]]:
    """Return the stretches, in seconds, of the tones that orders and speed are both read from."""
    if not {"observe_orders", "observe_speed_trace"} <= set(stale):
        return []
    job = stale["observe_speed_trace"]
    if not job.get("used", True):
        return []
    located = located_stretches(tables.read(tracks))
    speed_tones = filter(is_speed_tone, Side.from_mapping(job["side"]).tracks)
    return [located[track.track] for track in speed_tones if track.track in located]
