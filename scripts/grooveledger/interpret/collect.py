"""Stage 4: the archive's tables from those of its captures."""

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from grooveledger.faults import ConfigurationFaults, Fault
from grooveledger.interpret.budgets import budgets
from grooveledger.interpret.repeatability import repeats
from grooveledger.measure.quantities import MEASURES
from grooveledger.measure.quantities import METRICS as DECLARED
from grooveledger.schemas.capture_metrics import CAPTURE_METRICS, REMARKS
from grooveledger.schemas.collect import BUDGETS, CAPTURES, JOINED, METRICS
from grooveledger.schemas.segment import HEALTH, TRACKS
from grooveledger.schemas.states import Status
from grooveledger.schemas.table import Table
from grooveledger.storage import tables
from grooveledger.storage.atomic_write import written_whole
from grooveledger.storage.provenance import FAILED, origin, provenance

#: Beside the joined tables, for the next time: which jobs' results they hold, by rule and capture,
#: and what the archive has in other tables than its captures.
KEPT = ".joined"
JOINED_FROM = f"{KEPT}/from.json"
KEPT_TABLES: Mapping[str, Table] = {
    "health": HEALTH,
    "remarks": REMARKS,
    "metrics": CAPTURE_METRICS,
}
#: The measures and the tracks, which are joined as they are.
JOINED_TABLES: tuple[Table, ...] = (TRACKS, *(measure.table for measure in MEASURES.values()))


def collect_archive(captures: Path, output: Path, job: Mapping[str, Any], threads: int = 1) -> None:
    """Write the archive-wide tables of the captures that a job names.

    What is joined already is taken from there: with one capture more, the files of all the others
    need not be opened.

    Parameters
    ----------
    captures : Path
        Holds a folder of tables a capture.
    output : Path
        Where the joined tables go.
    job : mapping
        `captures`: the sheet's rows; `from`: digests of the jobs that made the captures' tables, by
        rule and capture.
    threads : int
        Tables joined at a time: pyarrow reads without the interpreter's lock.

    Raises
    ------
    ConfigurationFaults
        Tables that were made otherwise than this job expects: a mixture is never joined.
    RuntimeError
        The jobs of every capture failed: the archive's tables then stay as they are.
    """
    made, from_job = job["from"], provenance(job)
    failed: dict[str, dict[str, str]] = {}
    before = _joined_before(output, from_job["code"])
    made_since = _made_since(captures, made["measure"], output / JOINED_FROM) if before else ()

    def parts(table: Table, name: str, path: Path, unsure: Collection[str]) -> Iterator[pa.Table]:
        rule = _rule_of(table)
        joined = _Joined(path, _known(before, made[rule], rule, unsure), before.get("job", ""))
        return _parts(captures, table, name, made, failed, joined)

    kept = {
        name: tables.concat(table, parts(table, name, output / _kept(name), made_since))
        for name, table in KEPT_TABLES.items()
    }
    if failed and len(failed) == len(made["measure"]):
        said = next(iter(failed.values()))
        raise RuntimeError(f"the jobs of every capture failed: {said['error']}, see {said['log']}")

    unsure = {*made_since, *failed}

    def join(table: Table) -> None:
        path = output / f"{table.name}.parquet"
        tables.write_parts(table, parts(table, table.name, path, unsure), path, from_job)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(join, JOINED_TABLES))
    for name, table in KEPT_TABLES.items():
        tables.write(table, kept[name], output / _kept(name), from_job)
    rows = collect_captures(job["captures"], kept["health"], kept["remarks"])
    named = {FAILED: json.dumps(dict(sorted(failed.items())))} if failed else {}
    tables.write(CAPTURES, rows, output / "captures.parquet", {**from_job, **named})
    joined = joined_metrics(job["captures"], kept["metrics"])
    whole = budgets(joined, repeats(joined, DECLARED), DECLARED)
    rows = tables.build(BUDGETS, {**_only(joined, BUDGETS), **whole})
    tables.write(BUDGETS, rows, output / "budgets.parquet", from_job)
    joined |= {name: whole[name] for name in ("uncertainty", "expanded")}
    rows = tables.build(METRICS, _only(joined, METRICS))
    tables.write(METRICS, rows, output / "metrics.parquet", from_job)
    with written_whole(output / JOINED_FROM) as scratch:
        now = {"job": from_job["job"], "code": job["code"], "from": made, "failed": sorted(failed)}
        scratch.write_text(json.dumps(now), encoding="utf-8")


def _rule_of(table: Table) -> str:
    return "segment" if table in (TRACKS, HEALTH) else "measure"


def _kept(name: str) -> str:
    return f"{KEPT}/{name}.parquet"


def _made_since(captures: Path, names: Iterable[str], joined: Path) -> frozenset[str]:
    """Return the captures that were made since tables were joined.

    Their jobs may have failed this time. Whatever a job makes or leaves, it writes these two files.
    """
    when = joined.stat().st_mtime_ns

    def is_older(path: Path) -> bool:
        return path.exists() and path.stat().st_mtime_ns < when

    return frozenset(
        name
        for name in names
        if not all(is_older(captures / name / f"{file}.parquet") for file in ("health", "metrics"))
    )


def _joined_before(output: Path, code: str) -> Mapping[str, Any]:
    """Return what the joined tables hold, as it was written; nothing if by other code."""
    try:
        before = json.loads((output / JOINED_FROM).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return before if before["code"] == code else {}


class _Joined:
    """Rows of a joined table that the same jobs would give again, capture by capture.

    A table of another job than the one whose parts are known (a run that was killed between them)
    is not drawn on.
    """

    def __init__(self, path: Path, known: Collection[str], job: str) -> None:
        self.known = known if origin(path).get("job") == job else ()
        self._rows = tables.read_by(path, "capture") if self.known else iter(())
        self._next: tuple[str, pa.Table] | None = next(self._rows, None)

    def rows(self, capture: str) -> Iterator[pa.Table]:
        """Yield the rows of a capture, if it has any; captures are asked for in order."""
        while self._next and self._next[0] < capture:
            self._next = next(self._rows, None)
        if self._next and self._next[0] == capture:
            yield self._next[1]


def _known(
    before: Mapping[str, Any], expected: Mapping[str, str], rule: str, failed: Collection[str]
) -> frozenset[str]:
    """Return the captures whose rows are joined already as their jobs would give them again.

    Not those whose jobs failed, then or now: their digests say nothing.
    """
    if not before:
        return frozenset()
    unsure = {*failed, *before["failed"]}
    joined = before["from"][rule].items()
    return frozenset(
        capture for capture, made in joined if expected.get(capture) == made
    ).difference(unsure)


def _parts(
    captures: Path,
    table: Table,
    name: str,
    made: Mapping[str, Mapping[str, str]],
    failed: dict[str, dict[str, str]],
    joined: _Joined | None = None,
) -> Iterator[pa.Table]:
    """Yield a table of each capture by name, since every table's key begins with the name.

    Each is held against the job that should have made it; at the end all that were made otherwise
    are listed. Those that a bug kept from being made are taken as they are, and noted in `failed`.
    Those in `joined` were held against it when they were joined.
    """
    faults = []
    for capture, expected in sorted(made[_rule_of(table)].items()):
        if joined and capture in joined.known:
            yield from joined.rows(capture)
            continue
        path = captures / capture / f"{name}.parquet"
        rows = tables.read(path)
        said = tables.provenance_of(rows.schema)
        if said.get("job") == expected:
            yield rows
        elif "error" in said:
            failed.setdefault(capture, {key: said[key] for key in ("error", "log")})
            yield rows
        else:
            problem = "was made by other code, settings or recordings than the rest"
            faults.append(Fault(str(path), "", problem, "Run again: it is made again."))
    if faults:
        raise ConfigurationFaults(faults)


def collect_captures(
    rows: Sequence[Mapping[str, Any]], health: pa.Table, remarks: pa.Table
) -> pa.Table:
    """Return one row a capture: sheet row, file facts, status and every reason for it.

    A remark of the measures makes a capture that was ok a flagged one.
    """
    found = {row["capture"]: row for row in health.to_pylist()}
    said: dict[str, list[str]] = {}
    for remark in remarks.to_pylist():
        said.setdefault(remark["capture"], []).append(remark["remark"])
    columns: dict[str, list[Any]] = {name: [] for name in CAPTURES.names}
    for row in rows:
        facts = found[row["capture"]]
        reasons = [facts["reason"]] if facts["reason"] else []
        reasons += said.get(row["capture"], [])
        status = Status.FLAGGED if facts["status"] == Status.OK and reasons else facts["status"]
        joined = {**facts, **row, "status": status, "reason": "; ".join(reasons)}
        for name, values in columns.items():
            values.append(joined[name])
    return tables.build(CAPTURES, columns)


def joined_metrics(rows: Sequence[Mapping[str, Any]], scalars: pa.Table) -> dict[str, np.ndarray]:
    """Return the columns of the scalars of all captures, with the cells of their sheet rows."""
    sheet = {row["capture"]: row for row in rows}
    own = dict(tables.columns(scalars))
    joined = {
        name: np.array([sheet[capture][name] for capture in own["capture"]], dtype=object)
        for name in JOINED
    }
    return {**own, **joined}


def _only(columns: Mapping[str, np.ndarray], table: Table) -> dict[str, np.ndarray]:
    return {name: columns[name] for name in table.names if name in columns}
