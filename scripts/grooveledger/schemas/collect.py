"""Tables of stage 4: the archive as a whole."""

from grooveledger.schemas.capture_metrics import CAPTURE_METRICS
from grooveledger.schemas.table import CAPTURE, HEALTH_COLUMNS, WHOLE, Column, Table, real, text

SHEET = (
    text("captured_at", "ISO 8601 date or date-time"),
    text("stylus", "id of the stylus"),
    text("cartridge", "id of the cartridge"),
    real("stylus_hours", "h", "hours on the stylus at the start of the capture"),
    text("record", "id of the test record"),
    text("side", "side of the record"),
    Column("record_plays", WHOLE, "", "earlier plays of this record side"),
    text("chain", "id of the chain"),
    real("temperature_c", "degC", "room temperature"),
)
COPY = text("copy", "copy of the record that was played; null where its description names none")

CAPTURES = Table(
    "captures",
    "collect",
    "One row a capture: its sheet row, file facts, status and reason.",
    ("capture",),
    (CAPTURE, *SHEET, text("file", "path under captures_dir"), *HEALTH_COLUMNS, COPY),
    revision=2,
)

#: The sheet's columns that every scalar carries, in their order there.
JOINED = (
    "stylus",
    "cartridge",
    "stylus_hours",
    "captured_at",
    "record",
    "side",
    "record_plays",
    "chain",
    "temperature_c",
    "copy",
)

METRICS = Table(
    "metrics",
    "collect",
    "Scalars, long form: what drifts, what a data sheet rates.",
    ("capture", "metric", "channel", "track_position"),
    (
        *CAPTURE_METRICS.columns[:-2],
        *sorted(SHEET, key=lambda column: JOINED.index(column.name)),
        *CAPTURE_METRICS.columns[-2:],
        COPY,
    ),
    revision=2,
)
