"""Tables of stage 4: the archive as a whole."""

from grooveledger.schemas.table import (
    CAPTURE,
    HEALTH_COLUMNS,
    LIMITED,
    TRACK,
    WHOLE,
    Column,
    Table,
    real,
    text,
)

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

CAPTURES = Table(
    "captures",
    "collect",
    "One row a capture: its sheet row, file facts, status and reason.",
    ("capture",),
    (CAPTURE, *SHEET, text("file", "path under captures_dir"), *HEALTH_COLUMNS),
)

METRICS = Table(
    "metrics",
    "collect",
    "Scalars, long form: what drifts, what a data sheet rates.",
    ("capture", "metric", "channel", "track_position"),
    (
        CAPTURE,
        TRACK,
        text("metric", "name of the figure"),
        text("channel", "left, right, both, lateral or vertical"),
        real("value", "see unit", "the figure; a bound where limited"),
        text("unit", "unit of value and uncertainty"),
        real("uncertainty", "see unit", "standard uncertainty"),
        LIMITED,
        text("stylus", "id of the stylus"),
        text("cartridge", "id of the cartridge"),
        real("stylus_hours", "h", "hours on the stylus at the start of the capture"),
        text("captured_at", "ISO 8601 date or date-time"),
        text("record", "id of the test record"),
        text("side", "side of the record"),
        Column("record_plays", WHOLE, "", "earlier plays of this record side"),
        text("chain", "id of the chain"),
        real("temperature_c", "degC", "room temperature"),
        Column("order_max", WHOLE, "", "highest harmonic counted, of distortion figures"),
        Column("track_position", WHOLE, "", "place of the track in the plan, from 0"),
    ),
)
