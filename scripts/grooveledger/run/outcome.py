"""The end of a run in a few lines: what is new, which verdicts changed, what to do first."""

from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import pyarrow as pa

from grooveledger.run.progress import duration, shortened
from grooveledger.schemas.states import Status, Verdict
from grooveledger.storage import tables
from grooveledger.vocabulary import words

#: This many names are written out; the pages list all.
NAMES_SHOWN = 6


class State(NamedTuple):
    """Of a set of results: each capture's status, each stylus's row, the most useful advice."""

    captures: Mapping[str, str]
    styli: Mapping[str, Mapping[str, object]]
    advice: Mapping[str, str]


def state(results: Path) -> State:
    """Read the state of results; empty where there are none yet."""
    captures = _rows(results, "captures")
    advice = [row for row in _rows(results, "advice") if row["priority"] == 1]
    return State(
        {str(row["capture"]): str(row["status"]) for row in captures},
        {str(row["stylus"]): row for row in _rows(results, "stylus_states")},
        {str(row["stylus"]): str(row["advice"]) for row in advice},
    )


def lines(before: State, after: State, seconds: float, results: Path, status: int) -> list[str]:
    """Say how a run ended.

    Parameters
    ----------
    before, after : State
        Of the results before and after the run.
    seconds : float
        What it took.
    results : Path
        The results' folder.
    status : int
        Exit status of the run.
    """
    said = []
    if after.captures:
        counts = [
            f"{sum(one == status for one in after.captures.values())} {status}" for status in Status
        ]
        said.append(f"{_count(len(after.captures), 'capture')}: {', '.join(counts)}.")
        said += _new(before, after)
        said += [f"  {name}: {row['sentence']}" for name, row in after.styli.items()]
        said += [shortened(f"Next, {stylus}: {advice}") for stylus, advice in _first(after)]
    if status:
        said.append(
            "The run did not complete: the lines above say why. What was finished is kept; the "
            "same command goes on from there."
        )
    elif (results / "report" / "index.html").exists():
        said.append(f"Pages: {results / 'report' / 'index.html'}")
        said.append(f"Tables: {results / 'tables'}, as a workbook: {results / 'export'}")
    said.append(f"Time taken: {duration(seconds)}.")
    return said


def _new(before: State, after: State) -> list[str]:
    """Say which captures are new, and which captures and styli are judged otherwise than before."""
    new = [name for name in after.captures if name not in before.captures]
    if not before.captures:
        return []
    said = [f"New: {_names(new)}." if new else "No capture is new."]
    for name, status in after.captures.items():
        earlier = before.captures.get(name, status)
        if earlier != status:
            said.append(f"{name} was {earlier} and is {status}.")
    for name, row in after.styli.items():
        was = before.styli.get(name)
        if was and was["verdict"] != row["verdict"]:
            verdicts = [words.VERDICTS[Verdict(str(one["verdict"]))] for one in (was, row)]
            said.append(f"{name} was '{verdicts[0]}' and is '{verdicts[1]}'.")
    if len(said) > NAMES_SHOWN:
        said = [*said[:NAMES_SHOWN], f"and {len(said) - NAMES_SHOWN} more changes: see the pages"]
    return said


def _first(after: State) -> list[tuple[str, str]]:
    """Return the first advice: that of the stylus due soonest, or else of any."""

    def due_in_h(stylus: str) -> float:
        row = after.styli.get(stylus, {})
        due_h, now_h = row.get("due_hours"), row.get("hours_now")
        known = isinstance(due_h, float) and isinstance(now_h, float)
        return due_h - now_h if known else float("inf")  # type: ignore[operator]

    return sorted(after.advice.items(), key=lambda item: (due_in_h(item[0]), item[0]))[:1]


def _rows(results: Path, name: str) -> list[dict[str, object]]:
    try:
        rows: list[dict[str, object]] = tables.read(results / f"tables/{name}.parquet").to_pylist()
    except (OSError, pa.ArrowInvalid):
        return []
    return rows


def _names(names: list[str]) -> str:
    if len(names) <= NAMES_SHOWN:
        return ", ".join(names)
    return f"{', '.join(names[: NAMES_SHOWN - 1])} and {len(names) - NAMES_SHOWN + 1} more"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
