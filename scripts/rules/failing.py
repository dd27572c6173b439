"""For the scripts of stage 5 whose results others read: a bug takes none of those along."""

import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from grooveledger.schemas.table import Table
from grooveledger.storage import tables


@contextmanager
def failing_alone(rule: Any, *declared: Table) -> Iterator[None]:
    """Leave valid empty tables that say what went wrong, where a bug keeps them from being made.

    The job then ends well, so that what reads the tables is made and can say what is missing; rule
    `complete` fails at the run's end. What is wrong with the machine (a full disk, no memory) is
    raised on: there nothing can be written either.

    Parameters
    ----------
    rule : Snakemake's object of the script
    declared : Table
        The rule's tables, in the order of its outputs.
    """
    log = Path(rule.log[0])
    log.parent.mkdir(parents=True, exist_ok=True)
    try:
        yield
    except (OSError, MemoryError):
        log.write_text(traceback.format_exc(), encoding="utf-8")
        raise
    except Exception as bug:
        log.write_text(traceback.format_exc(), encoding="utf-8")
        said = {"error": f"{type(bug).__name__}: {bug}", "log": f"logs/{log.name}"}
        for table, path in zip(declared, rule.output, strict=True):
            tables.write(table, tables.empty(table), path, said)
