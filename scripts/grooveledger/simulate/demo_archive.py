"""Writing the demo's recordings, several at a time, and the truth beside them."""

import os
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from grooveledger.configuration import Archive, load
from grooveledger.simulate.demo import UNREADABLE, demo_truth, write_demo_capture
from grooveledger.simulate.truth import rows

TRUTH_FILE = "truth.parquet"
TRUTH_NOTE = "invented: what the simulator put into the demo's recordings, not a measurement"
TRUTH_SCHEMA = pa.schema(
    [
        ("capture", pa.string()),
        ("track", pa.int32()),
        ("channel", pa.string()),
        ("quantity", pa.string()),
        ("frequency_hz", pa.float64()),
        ("value", pa.float64()),
    ],
    metadata={"note": TRUTH_NOTE},
)


def make_demo(
    config: Mapping[str, Any],
    directory: Path,
    pool: Executor,
    report: Callable[[str], None],
) -> int:
    """Write what is missing of the demo archive.

    Parameters
    ----------
    config : mapping
        The demo's config.yaml.
    directory : Path
        What relative paths count from.
    pool : Executor
        Runs the recordings side by side.
    report : callable
        Called with a line for each recording made.

    Returns
    -------
    int
        Recordings made.

    Raises
    ------
    ConfigurationFaults
        The configuration is wrong.
    """
    archive = load(config, directory)
    folder = directory / archive.settings["captures_dir"]
    folder.mkdir(parents=True, exist_ok=True)
    missing = [row for row in archive.captures if not (folder / row["file"]).exists()]
    truth_path = folder / TRUTH_FILE
    if not missing and truth_path.exists():
        return 0
    jobs = [
        (row, pool.submit(write_demo_capture, archive, row, folder / row["file"]))
        for row in missing
    ]
    truths = [
        pool.submit(_truth_rows, archive, row)
        for row in archive.captures
        if row["capture"] not in UNREADABLE
    ]
    for row, job in jobs:
        job.result()
        report(f"made {row['file']}")
    rows = [row for truth in truths for row in truth.result()]
    scratch = truth_path.with_name(f".{TRUTH_FILE}.part")
    pq.write_table(pa.Table.from_pylist(rows, TRUTH_SCHEMA), scratch)
    os.replace(scratch, truth_path)
    return len(jobs)


def _truth_rows(archive: Archive, row: Mapping[str, Any]) -> list[dict[str, Any]]:
    truth, _ = demo_truth(archive, row)
    return [{"capture": row["capture"], **one} for one in rows(truth)]
