"""Contain a bug: whatever reads the failed job's tables still runs."""

import traceback
from collections.abc import Callable, Iterator, Mapping, Set
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import pyarrow as pa

from grooveledger.schemas.table import Table
from grooveledger.storage import tables
from grooveledger.storage.provenance import FAULT, origin

#: What a capture's tables say of a bug, and what to do about it.
FAULT_TEXT = (
    "a fault of the program stopped it from being {work} ({error}, see {log}): run again with a "
    "version that corrects it"
)


def failing_alone(rule: Any, *declared: Table) -> AbstractContextManager[None]:
    """Leave valid empty tables that say what went wrong, where a bug keeps them from being made.

    Parameters
    ----------
    rule : Snakemake's object of the script
    declared : Table
        The rule's tables, in the order of its outputs.
    """
    made = dict(zip(map(Path, rule.output), declared, strict=True))
    return leaving_tables(Path(rule.log[0]), made)


@contextmanager
def leaving_tables(
    log: Path,
    declared: Mapping[Path, Table],
    *,
    work: str = "",
    instead: Mapping[str, Callable[[str], pa.Table]] | None = None,
    done: Set[str] = frozenset(),
) -> Iterator[None]:
    """Leave valid tables that say what went wrong, where a bug keeps them from being made.

    The job then ends well, so that what reads the tables is made and can say what is missing; rule
    `complete` fails at the run's end. What is wrong with the machine (a full disk, no memory) is
    raised on: there nothing can be written either. A script imports what it runs within this, so
    that a module that can't be imported is a bug like any other.

    Parameters
    ----------
    log : Path
        Gets the traceback.
    declared : mapping
        Tables by their files.
    work : str
        What should have been done to the capture; empty for the archive's tables.
    instead : mapping
        Makes a table from the text of the fault, by the table's name; the others are empty.
    done : set of str
        Digests of jobs whose tables stay as they are.
    """
    try:
        yield
    except (OSError, MemoryError):
        raise
    except Exception as bug:
        log.parent.mkdir(parents=True, exist_ok=True)
        with log.open("a", encoding="utf-8") as file:
            file.write(traceback.format_exc())
        error, place = f"{type(bug).__name__}: {bug}", str(log)[str(log).rindex("logs/") :]
        text = FAULT_TEXT.format(work=work, error=error, log=place)
        metadata = {"error": error, "log": place, **({FAULT: text} if work else {})}
        for path, table in declared.items():
            if path.exists() and origin(path).get("job") in done:
                continue
            make = (instead or {}).get(table.name)
            tables.write(table, make(text) if make else tables.empty(table), path, metadata)
