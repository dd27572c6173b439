"""Tables of stage 3 that are no single measure's: the scalars of a capture, and remarks."""

from grooveledger.schemas.table import CAPTURE, LIMITED, TRACK, WHOLE, Column, Table, real, text

#: Components of a figure's uncertainty that a capture's own tables give, with what each is due to.
COMPONENTS = {
    "noise": "noise of this capture",
    "record": "the record's tolerance",
    "preamplifier": "the preamplifier's response",
    "gain": "the preamplifier's gain, or the match of its channels",
    "full_scale": "the converter's full scale",
    "mass": "the arm's effective mass",
    "speed": "the platter's momentary speed",
    "interpolation": "reading between two points",
    "second_track": "the record's tolerance on the second of two tracks",
    "second_frequency": "the preamplifier's response at the second of two frequencies",
    "rated": "a data sheet's output in place of a measured one",
    "phase": "the cartridge's own phase",
}
COMPONENT_COLUMNS = tuple(
    real(f"u_{name}", "see unit", f"standard uncertainty from {cause}; null where it has none")
    for name, cause in COMPONENTS.items()
)

CAPTURE_METRICS = Table(
    "capture_metrics",
    "measure",
    "Scalars of one capture, before its sheet row is joined.",
    ("capture", "metric", "channel", "track_position"),
    (
        CAPTURE,
        TRACK,
        text("metric", "name of the figure"),
        text("channel", "left, right, both, lateral or vertical"),
        real("value", "see unit", "the figure; a bound where limited"),
        text("unit", "unit of value and uncertainty"),
        real("uncertainty", "see unit", "standard uncertainty, repeatability apart"),
        LIMITED,
        Column("order_max", WHOLE, "", "highest harmonic counted, of distortion figures"),
        Column("track_position", WHOLE, "", "place of the track in the plan, from 0"),
        *COMPONENT_COLUMNS,
    ),
    revision=3,
)

REMARKS = Table(
    "remarks",
    "measure",
    "What a person should look at: where figures contradict the description.",
    ("capture", "track", "remark"),
    (CAPTURE, TRACK, text("remark", "what was seen and what to do about it")),
)
