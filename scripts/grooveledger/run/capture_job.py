"""Stages 1 to 3 of a capture in one process: the parts that are stale, and no others."""

import importlib
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import Any

from grooveledger.capture.kept_sound import keeping
from grooveledger.measure.job import MEASURED, measure_capture
from grooveledger.observe.job import OBSERVATIONS, observe_capture
from grooveledger.storage.digests import digest
from grooveledger.storage.provenance import made_from

#: Tables that segmenting makes.
SEGMENTED = ("tracks", "health")


def make_capture(
    captures_dir: Path,
    folder: Path,
    jobs: Mapping[str, Mapping[str, Any]],
    around: Callable[[str], AbstractContextManager[None]] = lambda _: nullcontext(),
) -> dict[str, float]:
    """Segment, observe and measure a capture.

    A part is stale where one of its tables is missing or names another origin than its job. Sound
    is kept from one part to the next as far as memory allows. A part that fails leaves what the
    parts before it made.

    Parameters
    ----------
    captures_dir : Path
        Holds the recordings.
    folder : Path
        Of the capture's tables.
    jobs : mapping
        What each part depends on, by its rule.
    around : callable
        Context in which a part is run, by its name: segment, observe, measure.

    Returns
    -------
    dict
        Seconds that each part took that was made, by its rule.

    Raises
    ------
    OSError
        The capture can't be read because it is not what it was when the run began.
    """
    took = {}
    observed = folder / "observations"
    with keeping():
        with around("segment"):
            if _is_stale(folder, SEGMENTED, jobs["segment"]):
                begin = time.perf_counter()
                # Loaded when it has something to do, as the observations are.
                segment = importlib.import_module("grooveledger.segment.job")
                segment.segment_capture(captures_dir, folder, jobs["segment"])
                took["segment"] = time.perf_counter() - begin
        with around("observe"):
            parts = {name: jobs[name] for name in OBSERVATIONS}
            took |= observe_capture(captures_dir, folder / "tracks.parquet", observed, parts)
    with around("measure"):
        if _is_stale(folder, MEASURED, jobs["measure"]):
            begin = time.perf_counter()
            files = [
                observed / f"{t.name}.parquet" for o in OBSERVATIONS.values() for t in o.tables
            ]
            measure_capture(folder, files, folder, jobs["measure"])
            took["measure"] = time.perf_counter() - begin
    return took


def _is_stale(folder: Path, names: Sequence[str], job: Mapping[str, Any]) -> bool:
    expected = digest(job)
    return not all(made_from(folder / f"{name}.parquet", expected) for name in names)
