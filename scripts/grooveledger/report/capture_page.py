"""The page of one capture: what was found where, and every curve, from its own tables alone."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from grooveledger.report import drawn, page
from grooveledger.report.grids import Field, Grid, amount, grid, rows_of, text, whole
from grooveledger.report.pictures import frequency, motion, timeline, tracking
from grooveledger.report.pictures.rows import Columns, count, groups
from grooveledger.report.pictures.style import Picture
from grooveledger.schemas.states import Status
from grooveledger.storage import tables
from grooveledger.vocabulary import metric_words, words

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


def write(facts: Mapping[str, Any], folder: Path, path: Path) -> None:
    """Write the page of a capture, its pictures in a folder of its name beside it.

    Parameters
    ----------
    facts : mapping
        `sheet`: the capture's row of the sheet; `rpm` of the record; `chain` and `cartridge` as
        they are in the configuration. Nothing of any other capture.
    folder : Path
        The capture's own results: tracks, health, measures, and `observations`.
    path : Path
        The page, ``report/captures/<capture>.html``.
    """
    health = rows_of(folder / "health.parquet")[0]
    remarks = [row["remark"] for row in rows_of(folder / "remarks.parquet")]
    tracks = _table(folder, "tracks")
    sheet, chain = facts["sheet"], facts["chain"]
    found = drawn.pictures(
        _pictures(folder, tracks, health, facts["rpm"]),
        path.with_name(path.stem),
        f"{sheet['capture']}: stylus {sheet['stylus']}, {sheet['record']} side {sheet['side']}, "
        f"{load_words(chain)}",
    )
    smalls = [
        (name, label, grid(rows, fields))
        for name, label, fields in SMALL_TABLES
        if (rows := rows_of(folder / f"{name}.parquet"))
    ]
    page.write(
        "capture.html",
        path,
        depth=1,
        sheet=sheet,
        health=health,
        # As in the table of captures: a remark of the measures makes an ok capture a flagged one.
        status=Status.FLAGGED if remarks and health["status"] == Status.OK else health["status"],
        reasons=[text for text in (health["reason"], *remarks) if text],
        chain=chain_words(chain),
        pictures=found,
        figures=key_figures(rows_of(folder / "metrics.parquet")),
        smalls=smalls,
        tracks=grid(tracks.to_pylist(), TRACK_FIELDS) if tracks else None,
    )


def _table(folder: Path, name: str) -> pa.Table | None:
    path = folder / f"{name}.parquet"
    if not path.exists():
        return None
    rows = tables.read(path)
    return rows if rows.num_rows else None


def _pictures(
    folder: Path, tracks: pa.Table | None, health: Mapping[str, Any], rpm: float
) -> Iterator[Picture]:
    """Draw what the capture's tables hold, in the order of reading."""

    def columns(name: str) -> Columns | None:
        rows = _table(folder, name)
        return None if rows is None else tables.columns(rows)

    if tracks is not None:
        yield timeline.timeline(tables.columns(tracks), health["duration_s"] or 0.0)
    if (response := columns("response")) is not None:
        yield frequency.response(response)
    if (separation := columns("separation")) is not None:
        yield frequency.separation(separation)
    if (distortion := columns("distortion")) is not None:
        yield frequency.distortion(distortion)
    if (spectrum := columns("spectrum")) is not None and tracks is not None:
        for (tone_hz,), rows in groups(_driven(spectrum, tables.columns(tracks)), "tone_hz"):
            yield frequency.spectrum(rows, float(str(tone_hz)))
    if (speed := columns("observations/speed_trace")) is not None:
        # Of several steady tones the longest tells most; the others' figures are in the table.
        parts = [(track, rows) for (track, _), rows in groups(speed, "track", "channel")]
        track, longest = max(parts, key=lambda part: count(part[1]))
        number = int(float(str(track)))
        yield motion.speed_trace(longest, number)
        yield motion.revolution(longest, number, rpm)
    noise = columns("observations/noise_density")
    if noise is not None and tracks is not None:
        silent = _silent(noise, tables.columns(tracks))
        if count(silent):
            yield frequency.noise_density(silent)
    if (resonance := columns("resonance")) is not None:
        fits = columns("resonance_fit")
        yield frequency.resonance(resonance, fits)
    if (ability := columns("tracking_ability")) is not None:
        yield tracking.tracking_ability(ability)


def _silent(rows: Columns, tracks: Columns) -> Columns:
    """Rows of silent grooves: of cut noise the bands are in a table of their own."""
    kept = np.isin(rows["track"], tracks["track"][tracks["kind"] == "silent_groove"])
    return {name: values[kept] for name, values in rows.items()}


def _driven(rows: Columns, tracks: Columns) -> Columns:
    """Rows of the channels that their track drives."""
    modulation = dict(zip(tracks["track"], tracks["modulation"], strict=True))
    kept = np.array(
        [
            modulation.get(track) in (channel, "lateral", "vertical")
            for track, channel in zip(rows["track"], rows["channel"], strict=True)
        ],
        dtype=bool,
    )
    return {name: values[kept] for name, values in rows.items()}


def key_figures(metrics: list[dict[str, Any]]) -> Grid | None:
    """Arrange scalar figures a line a metric; of several tracks, the first in the plan."""
    first: dict[tuple[str, str], Mapping[str, Any]] = {}
    for row in sorted(metrics, key=lambda row: row["track_position"] or 0):
        if row["value"] is not None:
            first.setdefault((row["metric"], row["channel"]), row)
    names = sorted(
        {metric for metric, _ in first}, key=lambda name: (metric_words.order(name), name)
    )
    if not names:
        return None

    body = []
    for name in names:
        cells = {channel: row for (metric, channel), row in first.items() if metric == name}
        unit = next(iter(cells.values()))["unit"]
        others = [
            (_cell(cells[channel]) if channel == "both" else f"{channel} {_cell(cells[channel])}")
            for channel in ("both", "lateral", "vertical")
            if channel in cells
        ]
        body.append(
            [
                metric_words.metric(name),
                *(_cell(cells.get(channel)) for channel in ("left", "right")),
                ", ".join(others) or words.NONE,
                words.unit(unit),
            ]
        )
    heads = [
        ("Figure", False),
        ("Left", True),
        ("Right", True),
        ("Both channels together", True),
        ("Unit", False),
    ]
    return Grid(heads, body)


def _cell(row: Mapping[str, Any] | None) -> str:
    if row is None:
        return words.NONE
    if row["limited"]:
        return f"bound {words.figure(row['value'], row['unit'])}"
    return words.with_uncertainty(row["value"], row["uncertainty"], row["unit"])


def load_words(chain: Mapping[str, Any]) -> str:
    """Say the load of a chain: resistance, and capacitance with the cable."""
    amplifier = chain["preamplifier"]
    load_pf = chain["cable"]["capacitance_pf"] + amplifier["input_capacitance_pf"]
    load_kohm = f"{amplifier['input_resistance_ohm'] / 1000:.4g}"
    return f"{load_kohm} k{words.UNITS['ohm']}, {words.number(load_pf, 0)} pF"


def chain_words(chain: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Say what a chain is, in pairs of name and value."""
    amplifier = chain["preamplifier"]
    return [
        ("Load", f"{load_words(chain)} with the cable"),
        (
            "Gain and replay curve",
            f"{words.number(amplifier['gain_db'], 1)} dB, {amplifier['equalisation']}",
        ),
        ("Arm", f"{words.number(chain['arm_effective_mass_g'], 1)} g effective mass"),
        (
            "Converter",
            f"{words.number(chain['converter']['full_scale_v_rms'], 3)} V rms at full scale",
        ),
    ]
