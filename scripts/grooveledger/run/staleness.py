"""Which results were made by other code, settings or recordings than a run now expects.

Snakemake remembers what it ran, but a failed job, a deleted memory or tables copied from elsewhere
leave results that it knows nothing of. The results' own provenance is always there.
"""

import json
import os
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from grooveledger.faults import ConfigurationFaults, Fault
from grooveledger.run.jobs import Job, Jobs
from grooveledger.run.rules import RULES
from grooveledger.storage.digests import digest
from grooveledger.storage.provenance import made_from, origin

#: In the results: an input of the jobs whose results are stale. Newer than they are, it has them
#: made again, and says which and why.
MARK = ".stale.json"


class Stale(NamedTuple):
    """A job that has to run, though perhaps some of its results are there.

    `missing` is true where none is. `changed` are the parts of its mapping that the results were
    made from otherwise; empty where they don't say.
    """

    job: Job
    missing: bool
    changed: tuple[str, ...]


def stale_jobs(jobs: Jobs, results: Path) -> list[Stale]:
    """Return the jobs whose results are missing or were made otherwise, in the flow's order."""
    stale = []
    for job in jobs.all():
        # Texts: an archive has tens of thousands, and a Path takes longer to make than to look for.
        there = [os.path.exists(f"{results}/{output}") for output in job.outputs]
        if not all(there):
            stale.append(Stale(job, not any(there), ()))
            continue
        expected = jobs.digest(job.rule, job.name)
        for path in _stating_origin(job, results):
            if not made_from(path, expected):
                changed = _changed(origin(Path(path)), jobs.mapping(job.rule, job.name))
                stale.append(Stale(job, False, changed))
                break
    return stale


def mark(stale: Sequence[Stale], jobs: Jobs, results: Path) -> frozenset[tuple[str, str]]:
    """Have Snakemake make again what is stale: the jobs that do so get the mark as an input.

    Returns
    -------
    frozenset
        Rule of the workflow and name of each of those jobs. Results that are missing need a mark
        only where Snakemake does not see them, one job making those of several.
    """
    made_otherwise = [item for item in stale if not item.missing or RULES[item.job.rule].run_by]
    if made_otherwise:
        said = [
            {"rule": item.job.rule, "name": item.job.name, "changed": item.changed}
            for item in made_otherwise
        ]
        # The time makes the content new: Snakemake takes a file of the same content for unchanged.
        content = json.dumps({"time_ns": time.time_ns(), "stale": said}, indent=1)
        (results / MARK).write_text(content, encoding="utf-8")
    return frozenset(jobs.run_by(item.job.rule, item.job.name) for item in made_otherwise)


def check_captures_dir(stale: Sequence[Stale], captures_dir: Path) -> None:
    """Check that recordings are there if what was measured from them has to be made again.

    Raises
    ------
    ConfigurationFaults
        The folder of the recordings is not there: going on would replace what was measured by
        rejections.
    """
    wanted = {item.job.name for item in stale if item.job.decodes and not item.missing}
    if wanted and not captures_dir.is_dir():
        problem = f"is not there, and {len(wanted)} of its recordings would have to be read"
        remedy = "Connect the disk, or correct captures_dir in the configuration."
        raise ConfigurationFaults([Fault(str(captures_dir), "", problem, remedy)])


def _stating_origin(job: Job, results: Path) -> list[str]:
    """Return the results that state their origin: tables, and folders for their pages."""
    states = (output for output in job.outputs if not output.endswith((".html", ".xlsx")))
    return [f"{results}/{output}" for output in states]


def _changed(said: Mapping[str, str], mapping: Mapping[str, object]) -> tuple[str, ...]:
    try:
        parts = json.loads(said.get("parts", ""))
    except ValueError:
        return ()
    return tuple(key for key, value in mapping.items() if parts.get(key) != digest(value))
