"""The archive in a few lines of plain text, for the end of a run."""

from pathlib import Path

from grooveledger.schemas.states import Status
from grooveledger.storage import tables

#: This many captures that need a person are listed; the pages list all.
LISTED = 20


def lines(results: Path) -> list[str]:
    """What was measured, what needs a person, how the styli are, and where to look.

    Parameters
    ----------
    results : Path
        The results' folder, with its archive-wide tables.
    """
    captures = tables.read(results / "tables" / "captures.parquet").to_pylist()
    counts: dict[str, int] = {
        status: sum(row["status"] == status for row in captures) for status in Status
    }
    said = [
        f"{len(captures)} captures: {counts['ok']} ok, {counts['flagged']} flagged, "
        f"{counts['rejected']} rejected."
    ]
    wanting = [row for row in captures if row["status"] != Status.OK]
    said += [f"  {row['status']} {row['capture']}: {row['reason']}" for row in wanting[:LISTED]]
    if len(wanting) > LISTED:
        said.append(f"  and {len(wanting) - LISTED} more, see the pages")
    states = results / "tables" / "stylus_states.parquet"
    if states.exists():
        said.append("Styli:")
        said += [f"  {row['stylus']}: {row['sentence']}" for row in tables.read(states).to_pylist()]
    said += [
        "Where to look:",
        f"  pages     {results / 'report' / 'index.html'}",
        f"  workbook  {results / 'export' / 'archive.xlsx'} (and csv/ beside it)",
        f"  tables    {results / 'tables'}",
    ]
    return said
