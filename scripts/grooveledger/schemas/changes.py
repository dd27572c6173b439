"""Tables of what moved between two sets of results."""

from grooveledger.schemas.table import CAPTURE, TRACK, TRUTH, WHOLE, Column, Table, real, text

METRIC = text("metric", "name of the figure")
CHANNEL = text("channel", "left, right, both, lateral or vertical")
UNIT = text("unit", "unit of the figure")

CHANGED_METRICS = Table(
    "changed_metrics",
    "compare",
    "Each figure over the captures of both sets: how many moved, and how far.",
    ("metric", "channel"),
    (
        METRIC,
        CHANNEL,
        UNIT,
        Column("n", WHOLE, "", "figures that both sets have"),
        Column("n_moved", WHOLE, "", "of them moved"),
        Column("n_beyond", WHOLE, "", "of them moved beyond repeatability; null where unknown"),
        Column("n_lost", WHOLE, "", "figures that only the earlier set has"),
        Column("n_new", WHOLE, "", "figures that only the new set has"),
        real("median_change", "see unit", "median of those that moved, new less earlier"),
        real("largest_change", "see unit", "the largest, new less earlier"),
        text("largest_capture", "capture of the largest"),
        real("repeatability_limit", "see unit", "median limit of the captures; null where unknown"),
    ),
)

CHANGED_FIGURES = Table(
    "changed_figures",
    "compare",
    "Every figure of a capture that moved, was lost or is new.",
    ("capture", "metric", "channel", "track_position"),
    (
        CAPTURE,
        TRACK,
        text("stylus", "id of the stylus"),
        METRIC,
        CHANNEL,
        UNIT,
        real("value_before", "see unit", "the earlier figure; null where there was none"),
        real("value_after", "see unit", "the new figure; null where there is none"),
        real("change", "see unit", "new less earlier"),
        Column("limited_before", TRUTH, "", "true where the earlier one was a bound"),
        Column("limited_after", TRUTH, "", "true where the new one is a bound"),
        real("repeatability_limit", "see unit", "what repeats differ by at most; null if unknown"),
        Column("beyond", TRUTH, "", "true where the change is beyond that; null if unknown"),
        Column("track_position", WHOLE, "", "place of the track in the plan, from 0"),
    ),
)

CHANGED_VERDICTS = Table(
    "changed_verdicts",
    "compare",
    "Verdicts and statuses that changed.",
    ("kind", "of", "figure", "channel"),
    (
        text("kind", "capture, drift or rating"),
        text("of", "id of the capture or stylus"),
        text("figure", "name of the figure or rated quantity; empty for a capture's status"),
        text("channel", "channel of the figure; empty where there is none"),
        text("before", "earlier word; null where there was none"),
        text("after", "new word; null where there is none"),
        text("reason", "the new set's reason or note, where it gives one"),
    ),
)
