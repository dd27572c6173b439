"""A table of a person's own notes: cells for the captures' sheet, typed before there was one."""

import csv
import io
import re
from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Literal

from grooveledger.configuration.fault_list import Faults
from grooveledger.configuration.schema_files import schema
from grooveledger.configuration.sheets import COMMENT
from grooveledger.configuration.suggestions import suggestion
from grooveledger.configuration.text_files import read_text
from grooveledger.faults import Fault

#: What separates the cells: whichever the header has, in this order.
SEPARATORS = ("\t", ";", ",")
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")


class Notes:
    """Rows of notes, joined to recordings by file, else by date, else by their order.

    Parameters
    ----------
    name : str
        What the person calls the file, for the faults.
    rows : sequence of (int, mapping of str to str)
        Number of the row, and its cells that are not blank by column.
    by : {'file', 'captured_at', 'order'}
        What joins a row to a recording.
    """

    def __init__(
        self,
        name: str,
        rows: Sequence[tuple[int, Mapping[str, str]]],
        by: Literal["file", "captured_at", "order"],
    ) -> None:
        self.name = name
        self.by = by
        self._rows = list(rows)

    def __len__(self) -> int:
        return len(self._rows)

    def take(self, file: str, captured_at: str | None) -> dict[str, str]:
        """Take the cells of a recording, the next in order; each row is given once.

        Parameters
        ----------
        file : str
            Path under captures_dir.
        captured_at : str or None
            Date of the recording where it is known.
        """
        for place, (_, cells) in enumerate(self._rows):
            if (
                (self.by == "file" and _is_file(cells.get("file", ""), file))
                or (
                    self.by == "captured_at"
                    and captured_at is not None
                    and cells.get("captured_at", "")[:10] == captured_at[:10]
                )
                or self.by == "order"
            ):
                del self._rows[place]
                return {column: cell for column, cell in cells.items() if column != "file"}
        return {}

    def left(self) -> list[Fault]:
        """Return the rows that no recording took, as faults."""
        remedy = "Correct its file or date, or delete the row."
        return [
            Fault(self.name, f"row {number}", "belongs to no new recording", remedy)
            for number, _ in self._rows
        ]


def read_notes(path: Path) -> Notes:
    """Read a table of notes: a header of columns of captures.tsv, cells separated as in a sheet.

    Raises
    ------
    ConfigurationFaults
        The file can't be read, or has a column that captures.tsv does not have.
    """
    faults = Faults()
    text = read_text(path, str(path), faults)
    faults.stop_if_any()
    assert text is not None
    lines = [line for line in text.splitlines() if line.strip() and line[0] != COMMENT]
    separator = next((s for s in SEPARATORS if lines and s in lines[0]), SEPARATORS[0])
    table = list(csv.reader(io.StringIO("\n".join(lines)), delimiter=separator))
    header = [cell.strip() for cell in table[0]] if table else []
    columns = list(schema("captures")["properties"])
    for column in header:
        if column not in columns:
            remedy = suggestion(column, columns, "columns")
            faults.add(str(path), f"column '{column}'", "is no column of captures.tsv", remedy)
    if not header:
        faults.add(str(path), "", "has no header row", f"Its columns: any of {', '.join(columns)}.")
    rows = []
    for number, cells in enumerate(table[1:], start=2):
        named = zip(header, (cell.strip() for cell in cells), strict=False)
        row = {column: cell for column, cell in named if cell}
        if "captured_at" in row and not _DAY.match(row["captured_at"]):
            problem = f"'{row['captured_at']}' is no date"
            faults.add(str(path), f"row {number}, captured_at", problem, "Write it as 2024-03-02.")
        if row:
            rows.append((number, row))
    faults.stop_if_any()
    by: Literal["file", "captured_at", "order"] = "order"
    if "file" in header:
        by = "file"
    elif "captured_at" in header:
        by = "captured_at"
    return Notes(str(path), rows, by)


def _is_file(noted: str, file: str) -> bool:
    """Whether a note names a file: with or without its folder and its ending."""
    path = PurePosixPath(file)
    return bool(noted) and noted in (file, path.name, path.stem, str(path.with_suffix("")))
