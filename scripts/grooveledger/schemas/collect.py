"""Tables of stage 4: the archive as a whole."""

from grooveledger.schemas.capture_metrics import CAPTURE_METRICS, COMPONENT_COLUMNS
from grooveledger.schemas.table import (
    CAPTURE,
    HEALTH_COLUMNS,
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

METRIC_COLUMNS = {column.name: column for column in CAPTURE_METRICS.columns}

METRICS = Table(
    "metrics",
    "collect",
    "Scalars, long form: what drifts, what a data sheet rates.",
    ("capture", "metric", "channel", "track_position"),
    (
        CAPTURE,
        TRACK,
        METRIC_COLUMNS["metric"],
        METRIC_COLUMNS["channel"],
        METRIC_COLUMNS["value"],
        METRIC_COLUMNS["unit"],
        real("uncertainty", "see unit", "standard uncertainty, repeatability in it"),
        METRIC_COLUMNS["limited"],
        *sorted(SHEET, key=lambda column: JOINED.index(column.name)),
        METRIC_COLUMNS["order_max"],
        METRIC_COLUMNS["track_position"],
        COPY,
        real("expanded", "see unit", "half of its 95 % interval; null for a bound"),
    ),
    revision=3,
)

BUDGETS = Table(
    "budgets",
    "collect",
    "What the uncertainty of every scalar is made of.",
    ("capture", "metric", "channel", "track_position"),
    (
        CAPTURE,
        TRACK,
        METRIC_COLUMNS["metric"],
        METRIC_COLUMNS["channel"],
        METRIC_COLUMNS["track_position"],
        METRIC_COLUMNS["unit"],
        *COMPONENT_COLUMNS,
        real("repeatability", "see unit", "standard deviation of repeats beyond noise and speed"),
        text("repeatability_from", "repeats of this archive, or default: common practice"),
        real("repeatability_dof", "", "degrees of freedom of the repeats; null for a default"),
        real("uncertainty", "see unit", "all of them combined, standard"),
        real("degrees_of_freedom", "", "effective ones; null where infinite"),
        real("coverage_factor", "", "for 95 %"),
        real("expanded", "see unit", "coverage factor times uncertainty: 95 %"),
    ),
    revision=2,
)
