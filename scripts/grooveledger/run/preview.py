"""What a run would make and why, in plain words, before anything runs."""

import csv
import statistics
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from grooveledger.run.jobs import Job
from grooveledger.run.progress import duration
from grooveledger.run.rules import RULES
from grooveledger.run.staleness import Stale

#: Why, by the part of a job's mapping that differs, the most informative first.
REASONS = {
    "sha256": "the recording changed",
    "file": "the recording's name in the sheet changed",
    "code": "its code changed",
    "settings": "its settings changed",
    "used": "the side's use of it changed",
    "side": "the description of the record side changed",
    "other_sides": "the description of another side of the record changed",
    "chain": "the chain changed",
    "swap_channels": "the chain's swap_channels changed",
    "invert": "the chain's invert changed",
    "cartridge": "the cartridge's description changed",
    "sheet": "its row of the captures' sheet changed",
    "rpm": "the record's speed changed",
    "captures": "the captures' sheet changed",
    "styli": "the styli's sheet changed",
    "cartridges": "a cartridge's description changed",
    "chains": "a chain changed",
    "pages": "the documentation changed",
}
UPSTREAM = "its inputs are made again"
MISSING = "not there yet"
UNKNOWN = "the existing result does not say what it was made from"
#: Number of names written out.
NAMES_SHOWN = 6


def reason(stale: Stale) -> str:
    """Return why a job would run."""
    if stale.missing:
        return MISSING
    reasons = [words for part, words in REASONS.items() if part in stale.changed]
    if reasons:
        return ", ".join(reasons)
    return UPSTREAM if "from" in stale.changed else UNKNOWN


def seconds(jobs: Iterable[Job], results: Path) -> dict[Job, float | None]:
    """Return the time that each job should take, by the last runs' benchmarks.

    A job's own last time, or else the median of its rule's; None where there is neither.
    """
    usual: dict[str, float | None] = {}
    times: dict[Job, float | None] = {}
    for job in jobs:
        folder = results / "benchmarks"
        own = folder / job.rule / f"{job.name}.tsv" if job.name else folder / f"{job.rule}.tsv"
        times[job] = _benchmark(own)
        if times[job] is None:
            if job.rule not in usual:
                benchmarks = map(_benchmark, sorted((folder / job.rule).glob("*.tsv")))
                known = [time for time in benchmarks if time is not None]
                usual[job.rule] = statistics.median(known) if known else None
            times[job] = usual[job.rule]
    return times


def _benchmark(path: Path) -> float | None:
    try:
        with path.open(encoding="utf-8", newline="") as file:
            return float(next(csv.DictReader(file, delimiter="\t"))["s"])
    except (OSError, StopIteration, KeyError, ValueError, TypeError):
        return None


def lines(
    stale: Sequence[Stale], total: int, times: Mapping[Job, float | None], cores: int
) -> list[str]:
    """List what would run.

    Parameters
    ----------
    stale : sequence of Stale
        The jobs that would run.
    total : int
        How many jobs the archive has.
    times : mapping of Job to float or None
        Seconds that each should take.
    cores : int
        How many run at a time.
    """
    if not stale:
        return [f"Nothing to do: all {total} jobs' results are up to date."]
    groups: dict[tuple[str, str], list[Stale]] = {}
    for item in stale:
        groups.setdefault((item.job.rule, reason(item)), []).append(item)
    said = [f"{len(stale)} of {total} jobs would run:"]
    for (rule, why), items in groups.items():
        what = f"{RULES[rule].work} {_names(items)}".rstrip()
        time = _sum([times[item.job] for item in items])
        said.append(f"  {what}: {why}{f' ({duration(time)})' if time else ''}")
    decoded = dict.fromkeys(item.job.name for item in stale if item.job.decodes)
    said.append(
        f"{_count(len(decoded), 'recording')} would be decoded." if decoded else "No audio is read."
    )
    whole = _sum([times[item.job] for item in stale])
    unknown = sum(times[item.job] is None for item in stale)
    if whole:
        beside = f", {_count(unknown, 'job')} of unknown length besides" if unknown else ""
        said.append(
            f"About {duration(whole / cores)} on {_count(cores, 'core')} by the times of the last "
            f"run{beside}."
        )
    else:
        said.append("The time it takes is unknown before a first run.")
    return said


def _names(items: Sequence[Stale]) -> str:
    names = [item.job.name for item in items if item.job.name]
    if len(names) <= NAMES_SHOWN:
        return ", ".join(names)
    return f"{', '.join(names[: NAMES_SHOWN - 1])} and {len(names) - NAMES_SHOWN + 1} more"


def _sum(times: Iterable[float | None]) -> float:
    return sum(time for time in times if time is not None)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
