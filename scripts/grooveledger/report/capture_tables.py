"""The small tables of a capture's page: what each measure found, as it is."""

from collections.abc import Iterator, Sized
from pathlib import Path
from typing import Any

from grooveledger.measure.declaration import Measure
from grooveledger.measure.quantities import MEASURES
from grooveledger.report.grids import Field, Grid, amount, grid, rows_of, text, whole, without_empty
from grooveledger.schemas.table import SAMPLES, TEXT, TRUTH, WHOLE, Column
from grooveledger.vocabulary import words

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
            amount("interchannel_phase_deg", "Phase, right re left", "deg"),
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
            amount("eccentricity_mm", "Hole off centre by", "mm"),
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
)
#: Measures that a page shows as a picture.
DRAWN = frozenset(
    ("response", "separation", "distortion", "spectrum", "azimuth", "resonance", "tracking_ability")
)
#: A table of a measure that this page does not know of is shown up to this many rows; a longer one
#: is named.
ROWS_MOST = 24
#: Columns that every measure's table has and a page need not repeat.
LEFT_OUT = frozenset(("capture", "limited"))
#: How truths are written, and with how many decimals numbers without a unit.
YES_OR_NO = {True: "yes", False: "no"}
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
    text("kind", "Kind"),
    text("modulation", "Modulation"),
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
    return name not in {known for known, _, _ in SMALL_TABLES} and len(rows) > ROWS_MOST


def _title(measure: Measure) -> str:
    return measure.table.meaning.rstrip(".")


def _field(column: Column) -> Field:
    """Show a column of a measure that this page does not know of."""
    name = column.name
    suffix = next((end for end in UNIT_ENDINGS if column.unit and name.endswith(end)), "")
    head = name.removesuffix(suffix).replace("_", " ")
    if column.type == TEXT:
        return text(name, head)
    if column.type == TRUTH:
        return Field(head, lambda row: YES_OR_NO.get(row[name], words.NONE), numeric=False)
    if column.type in (WHOLE, SAMPLES):
        return whole(name, head)
    if not column.unit:
        return Field(head, lambda row: words.number(row[name], UNITLESS_PLACES))
    return amount(name, head, column.unit)
