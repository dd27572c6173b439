"""Tables of stage 1: where the tracks lie, and the health of the file."""

from grooveledger.schemas.table import (
    CAPTURE,
    HEALTH_COLUMNS,
    TRACK,
    TRUTH,
    Column,
    Table,
    real,
    text,
)

HEALTH = Table(
    "health",
    "segment",
    "One row: the facts of the file and whether it can be measured.",
    ("capture",),
    (
        CAPTURE,
        *HEALTH_COLUMNS,
        text("channel_order", "as_named, exchanged or unknown, by what is driven"),
    ),
)

TRACKS = Table(
    "tracks",
    "segment",
    "One row a planned or unexpected track, where it lies in the capture.",
    ("capture", "start_s", "track"),
    (
        CAPTURE,
        TRACK,
        text("kind", "kind of track planned; null when unexpected"),
        text("purpose", "what the plan keeps the track for"),
        text("modulation", "left, right, lateral or vertical"),
        text("match", "found, missing or unexpected"),
        real("start_s", "s", "start in the capture"),
        real("stop_s", "s", "end in the capture"),
        real("planned_s", "s", "planned duration"),
        real("level_left_dbfs", "dBFS", "rms level over a full-scale sine, file's left channel"),
        real("level_right_dbfs", "dBFS", "rms level over a full-scale sine, file's right channel"),
        Column("clipped", TRUTH, "", "true where samples of the track sit at full scale"),
        text("remark", "what a person should know of the match; empty when nothing"),
    ),
)
