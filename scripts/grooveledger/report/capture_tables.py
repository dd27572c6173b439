"""The small tables of a capture's page: what each measure gave, as it is."""

import math
from collections.abc import Iterator, Mapping, Sized
from pathlib import Path
from typing import Any

from grooveledger.measure.declaration import Measure
from grooveledger.measure.quantities import MEASURES
from grooveledger.report.grids import Field, Grid, amount, grid, rows_of, text, whole, without_empty
from grooveledger.schemas.table import SAMPLES, TEXT, TRUTH, WHOLE, Column
from grooveledger.vocabulary import words

#: How truths are written.
YES_OR_NO = {True: "yes", False: "no"}
Row = Mapping[str, Any]


def _sure(
    column: str, parts: tuple[str, ...], head: str, unit: str, bound: str = "limited"
) -> Field:
    """Show a figure with its standard uncertainty, of the columns of its parts; a bound as one."""
    plain = amount(column, head, unit)

    def write(row: Row) -> Any:
        if row[bound] or row[column] is None:
            return plain.write({**row, "limited": row[bound]})
        known = [row[part] for part in parts if row[part] is not None]
        return words.with_uncertainty(row[column], math.hypot(*known), unit)

    return Field(plain.head, write)


def _between(least: str, most: str, head: str, unit: str) -> Field:
    """Show a figure of which only its ends are known."""
    plain = amount(least, head, unit)

    def write(row: Row) -> str:
        ends = [words.figure(row[column], unit) for column in (least, most)]
        return ends[0] if ends[0] == ends[1] else " to ".join(ends)

    return Field(plain.head, write)


def _spaced(column: str, head: str) -> Field:
    """Show a name of the description as a person writes it."""
    return Field(head, lambda row: (row[column] or words.NONE).replace("_", " "), numeric=False)


#: Small tables that a page shows as they are: table, what it is called, its fields.
SMALL_TABLES: tuple[tuple[str, str, tuple[Field, ...]], ...] = (
    (
        "level",
        "Output of tones",
        (
            whole("track", "Track"),
            text("channel", "Channel"),
            amount("frequency_hz", "Tone", "Hz"),
            amount("output_mv", "Output, rms", "mV"),
            amount("sensitivity_mv_per_cm_s", "Sensitivity", "mV s/cm"),
            amount("interchannel_phase_deg", "Phase, right relative to left", "deg"),
        ),
    ),
    (
        "intermodulation",
        "Modulation distortion of two-tone tracks",
        (
            whole("track", "Track"),
            text("channel", "Channel"),
            amount("low_hz", "Low tone", "Hz"),
            amount("high_hz", "High tone", "Hz"),
            amount("imd_pct", "Distortion", "%"),
        ),
    ),
    (
        "modulation",
        "Modulation of the high tone of two-tone tracks",
        (
            whole("track", "Track"),
            text("channel", "Channel"),
            amount("low_hz", "Low tone", "Hz"),
            amount("high_hz", "High tone", "Hz"),
            whole("low_order", "Times the low tone"),
            amount("am_in_phase_pct", "Amplitude, in phase", "%", signed=True),
            amount("am_quadrature_pct", "Amplitude, in quadrature", "%", signed=True),
            amount("fm_in_phase_pct", "Frequency, in phase", "%", signed=True),
            amount("fm_quadrature_pct", "Frequency, in quadrature", "%", signed=True),
        ),
    ),
    (
        "third_octaves",
        "Cut noise in third octaves",
        (
            whole("track", "Track"),
            text("channel", "Channel"),
            amount("frequency_hz", "Band", "Hz"),
            amount("level_mv", "Level", "mV"),
            amount("noise_db", "Uncertainty", "dB"),
            amount("floor_db", "Over the groove's noise", "dB"),
        ),
    ),
    (
        "speed",
        "Speed, wow and flutter",
        (
            whole("track", "Track"),
            text("channel", "Channel"),
            amount("speed_error_pct", "Speed error", "%", signed=True),
            amount("wow_flutter_weighted_pct", "Weighted, two-sigma peak", "%"),
            amount("wow_flutter_unweighted_pct", "Unweighted, two-sigma peak", "%"),
            amount("wow_flutter_weighted_rms_pct", "Weighted, rms", "%"),
            amount("once_per_rev_pct", "Once a revolution, peak", "%"),
            amount("twice_per_rev_pct", "Twice", "%"),
            amount("three_per_rev_pct", "Three times", "%"),
            amount("four_per_rev_pct", "Four times", "%"),
            amount("wow_flutter_unweighted_uncertainty_pct", "Unweighted, uncertainty", "%"),
            amount("eccentricity_mm", "Hole off centre by", "mm"),
            amount("eccentricity_uncertainty_mm", "Its uncertainty", "mm"),
        ),
    ),
    (
        "noise",
        "Rumble, hum and surface noise",
        (
            whole("track", "Track"),
            text("channel", "Channel"),
            amount("rumble_unweighted_db", "Rumble, unweighted", "dB"),
            amount("rumble_weighted_db", "Rumble, weighted", "dB"),
            amount("hum_db", "Hum", "dB"),
            amount("noise_a_db", "A-weighted", "dB"),
            amount("noise_468_db", "468-weighted, quasi-peak", "dB"),
            amount("ticks_per_min", "Ticks", "1/min"),
            amount("reference_velocity_cm_s", "Reference, rms (cm/s)"),
            text("rumble_network", "Rumble networks' numbers"),
        ),
    ),
    (
        "resonance_fit",
        "Arm and cartridge resonance",
        (
            whole("track", "Track"),
            text("axis", "Axis"),
            amount("resonance_hz", "Resonance", "Hz"),
            amount("peak_db", "Peak", "dB"),
            amount("q", "Quality factor"),
            amount("dynamic_compliance_um_per_mn", "Dynamic compliance", "um/mN"),
            amount("rule_of_thumb_um_per_mn", "Half the static compliance", "um/mN"),
        ),
    ),
    (
        "channel_match",
        "Balance and phase of the channels, right relative to left",
        (
            whole("track", "Track"),
            amount("frequency_hz", "Tone", "Hz"),
            _sure("balance_db", ("noise_db",), "Balance", "dB"),
            _sure("phase_deg", ("phase_noise_deg",), "Phase", "deg"),
            text("polarity", "Polarity"),
        ),
    ),
    (
        "geometry",
        "Harmonics by the geometry of groove, tip and arm, beside those measured",
        (
            whole("track", "Track"),
            text("channel", "Channel"),
            amount("frequency_hz", "Tone", "Hz"),
            Field("Groove speed (cm/s)", lambda row: words.number(row["groove_speed_cm_s"])),
            amount("curvature_radius_um", "Groove's least radius", "um"),
            amount("tip_radius_um", "Tip's radius", "um"),
            amount("measured_h2_pct", "Second harmonic", "%"),
            amount("geometry_h2_pct", "by geometry", "%"),
            _between("left_h2_pct", "left_h2_most_pct", "beyond it", "%"),
            amount("measured_h3_pct", "Third harmonic", "%"),
            amount("geometry_h3_pct", "by geometry", "%"),
            _between("left_h3_pct", "left_h3_most_pct", "beyond it", "%"),
        ),
    ),
    (
        "vertical_angle",
        "Vertical tracking angle and traced radius, of vertical two-tone tracks",
        (
            whole("track", "Track"),
            text("channel", "Channel"),
            amount("low_hz", "Low tone", "Hz"),
            amount("high_hz", "High tone", "Hz"),
            _sure(
                "angle_error_deg",
                ("angle_noise_deg", "angle_level_deg", "angle_phase_deg"),
                "Angle less the cut's",
                "deg",
            ),
            amount("angle_deg", "Angle", "deg"),
            amount("cut_angle_deg", "Angle of the cut", "deg"),
            Field(
                "Cut described",
                lambda row: YES_OR_NO.get(row["cut_angle_described"], words.NONE),
                numeric=False,
            ),
            _sure("tracing_radius_um", ("radius_uncertainty_um",), "Tip's radius", "um"),
        ),
    ),
    (
        "scanning",
        "Treble and distortion of the inner groove against the outer one",
        (
            whole("track", "Track"),
            whole("outer_track", "Outer track"),
            text("channel", "Channel"),
            amount("frequency_hz", "Frequency", "Hz"),
            Field("Radius (mm)", lambda row: words.number(row["inner_radius_mm"])),
            Field("Outer radius (mm)", lambda row: words.number(row["outer_radius_mm"])),
            _sure("loss_db", ("loss_noise_db", "loss_record_db"), "Treble lost", "dB"),
            amount("inner_thd_pct", "Distortion", "%"),
            amount("outer_thd_pct", "On the outer track", "%"),
            _sure("thd_rise_pct", ("thd_rise_noise_pct",), "Gained", "%"),
            _sure(
                "contact_radius_um",
                ("contact_noise_um", "contact_record_um"),
                "Radius of the contact",
                "um",
                bound="contact_limited",
            ),
        ),
    ),
    (
        "bias",
        "Which channel stops tracking first, and what that says of the bias",
        (
            whole("track", "Track"),
            amount("frequency_hz", "Tone", "Hz"),
            amount("left_tracked_um", "Left tracks", "um"),
            amount("left_lost_um", "Left loses", "um"),
            amount("right_tracked_um", "Right tracks", "um"),
            amount("right_lost_um", "Right loses", "um"),
            text("first_lost", "Lost first"),
            text("change", "Bias should be"),
            Field("Tracking force (mN)", lambda row: words.number(row["tracking_force_mn"])),
        ),
    ),
)
#: Of these a sweep makes a row a frequency: long ones are named, as those the page does not know.
GROWING = frozenset(("channel_match", "geometry", "scanning"))
#: Measures that a page shows as a picture.
DRAWN = frozenset(
    ("response", "separation", "distortion", "spectrum", "azimuth", "resonance", "tracking_ability")
)
#: A table of a measure that this page does not know of is shown up to this many rows; a longer one
#: is named.
ROWS_MOST = 24
#: Columns that every measure's table has and a page need not repeat.
LEFT_OUT = frozenset(("capture", "limited"))
#: Decimals of numbers without a unit.
UNITLESS_PLACES = 3
#: Ends of columns' names that say the unit, which the head gives in brackets.
UNIT_ENDINGS = (
    "_mv_per_cm_s",
    "_cm_s",
    "_um_per_mn",
    "_db",
    "_deg",
    "_pct",
    "_hz",
    "_um",
    "_mn",
    "_mv",
    "_s",
)
TRACK_FIELDS = (
    whole("track", "Track"),
    _spaced("kind", "Kind"),
    _spaced("modulation", "Modulation"),
    text("match", "Match"),
    amount("start_s", "Start (s)"),
    amount("stop_s", "End (s)"),
    amount("level_left_dbfs", "Left", "dB"),
    amount("level_right_dbfs", "Right", "dB"),
    Field("Clipped", lambda row: "yes" if row["clipped"] else "no", numeric=False),
    text("remark", "Remark"),
)


def small_tables(folder: Path) -> Iterator[tuple[str, str, Grid, str]]:
    """Yield name, title, rows and page of methods of each small table of a capture.

    Parameters
    ----------
    folder : Path
        The capture's own results.
    """
    known = {name: (title, fields) for name, title, fields in SMALL_TABLES}
    for name, measure, rows in _undrawn(folder):
        if _is_long(name, rows):
            continue
        title, fields = known.get(name) or (
            _title(measure),
            [_field(column) for column in measure.table.columns if column.name not in LEFT_OUT],
        )
        yield name, title, without_empty(grid(rows, fields)), measure.methods_page


def long_tables(folder: Path) -> Iterator[tuple[str, str, int, str]]:
    """Yield name, title, number of rows and page of methods of each table too long for a page.

    Parameters
    ----------
    folder : Path
        The capture's own results.
    """
    for name, measure, rows in _undrawn(folder):
        if _is_long(name, rows):
            yield name, _title(measure), len(rows), measure.methods_page


def _undrawn(folder: Path) -> Iterator[tuple[str, Measure, list[dict[str, Any]]]]:
    """Yield name, measure and rows of each table that has rows and no picture."""
    for name, measure in MEASURES.items():
        if name not in DRAWN and (rows := rows_of(folder / f"{name}.parquet")):
            yield name, measure, rows


def _is_long(name: str, rows: Sized) -> bool:
    shown_whole = {known for known, _, _ in SMALL_TABLES} - GROWING
    return name not in shown_whole and len(rows) > ROWS_MOST


def _title(measure: Measure) -> str:
    return measure.table.meaning.rstrip(".")


def _field(column: Column) -> Field:
    """Show a column of a measure that this page does not know of."""
    name = column.name
    suffix = next((end for end in UNIT_ENDINGS if column.unit and name.endswith(end)), "")
    head = name.removesuffix(suffix).replace("_", " ").capitalize()
    if column.type == TEXT:
        return text(name, head)
    if column.type == TRUTH:
        return Field(head, lambda row: YES_OR_NO.get(row[name], words.NONE), numeric=False)
    if column.type in (WHOLE, SAMPLES):
        return whole(name, head)
    if not column.unit:
        return Field(head, lambda row: words.number(row[name], UNITLESS_PLACES))
    return amount(name, head, column.unit)
