"""What a declared table is, and the columns that many tables share."""

import functools
from typing import NamedTuple

import pyarrow as pa

TEXT = pa.string()
REAL = pa.float64()
WHOLE = pa.int32()
SAMPLES = pa.int64()
TRUTH = pa.bool_()


class Column(NamedTuple):
    """One column of a table, with its unit (empty where it has none) and what it means."""

    name: str
    type: pa.DataType
    unit: str
    meaning: str

    @property
    def field(self) -> pa.Field:
        """The Arrow field, which carries unit and meaning into every file."""
        described = {"unit": self.unit, "meaning": self.meaning}
        return pa.field(self.name, self.type, metadata={k: v for k, v in described.items() if v})


class Table(NamedTuple):
    """One table: where it is made, how its rows sort, and its columns.

    `revision` grows when a column is added, dropped or redefined: older files are made again.
    """

    name: str
    stage: str
    meaning: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    revision: int = 1

    @property
    def schema(self) -> pa.Schema:
        """The Arrow schema."""
        return _schema(self.columns)

    @property
    def names(self) -> tuple[str, ...]:
        """The column names in order."""
        return tuple(column.name for column in self.columns)


@functools.cache
def _schema(columns: tuple[Column, ...]) -> pa.Schema:
    return pa.schema([column.field for column in columns])


CAPTURE = Column("capture", TEXT, "", "id of the capture, joins to the captures table")
TRACK = Column("track", WHOLE, "", "number of the planned track; null for an unexpected stretch")
CHANNEL = Column("channel", TEXT, "", "left or right")
FREQUENCY = Column(
    "frequency_hz", REAL, "Hz", "played frequency on a sweep, nominal on a tone or step"
)
PLAYED = Column("played_hz", REAL, "Hz", "frequency as played")
LIMITED = Column("limited", TRUTH, "", "true where the noise floor makes the value a bound")


def real(name: str, unit: str, meaning: str) -> Column:
    """Declare a column of real numbers."""
    return Column(name, REAL, unit, meaning)


def text(name: str, meaning: str) -> Column:
    """Declare a column of text."""
    return Column(name, TEXT, "", meaning)


HEALTH_COLUMNS = (
    text("sha256", "digest of the file's content"),
    Column("sample_rate_hz", WHOLE, "Hz", "sampling rate"),
    real("duration_s", "s", "length of the capture"),
    Column("clipped_left", SAMPLES, "samples", "samples at full scale in runs of two or more"),
    Column("clipped_right", SAMPLES, "samples", "samples at full scale in runs of two or more"),
    real("dc_left", "of full scale", "mean of the channel"),
    real("dc_right", "of full scale", "mean of the channel"),
    text("status", "ok, flagged or rejected"),
    text("reason", "what was seen and what to do about it; empty when ok"),
)
