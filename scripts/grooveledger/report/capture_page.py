"""The page of one capture: its figures and their change, every curve, where each track lies."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from grooveledger.report import drawn, page
from grooveledger.report.capture_figures import key_figures, suffering
from grooveledger.report.capture_tables import TRACK_FIELDS, long_tables, small_tables
from grooveledger.report.chain_words import chain_words, load_words
from grooveledger.report.grids import grid, rows_of
from grooveledger.report.pictures import azimuth, frequency, motion, timeline, tracking
from grooveledger.report.pictures.bias import bias
from grooveledger.report.pictures.channel_match import channel_match
from grooveledger.report.pictures.geometry import ORDERS, geometry
from grooveledger.report.pictures.modulation import modulation
from grooveledger.report.pictures.resonance import resonance
from grooveledger.report.pictures.rows import Columns, count, groups, where
from grooveledger.report.pictures.scanning import scanning
from grooveledger.report.pictures.style import Picture
from grooveledger.schemas.states import Status
from grooveledger.storage import tables


def write(facts: Mapping[str, Any], folder: Path, path: Path, alone: bool = False) -> None:
    """Write the page of a capture, its pictures in a folder of its name beside it.

    Parameters
    ----------
    facts : mapping
        `sheet`: the capture's row of the sheet; `neighbours`, as `run.jobs` names them; `rpm` of
        the record; `chain` and `cartridge` as they are in the configuration.
    folder : Path
        The capture's own results: tracks, health, measures, and `observations`. Beside it those of
        the capture before, of which the figures alone are read.
    path : Path
        The page, ``report/captures/<capture>.html``.
    alone : bool
        Whether the capture belongs to no archive: its page then links to no other.
    """
    health = rows_of(folder / "health.parquet")[0]
    shared = {
        "sheet": facts["sheet"],
        "health": health,
        "alone": alone,
        "around": [] if alone else around(facts["neighbours"], facts["sheet"]),
    }
    if health["status"] == Status.REJECTED:
        drawn.pictures([], path.with_name(path.stem))
        page.write("rejected.html", path, depth=1, **shared)
        return
    remarks = rows_of(folder / "remarks.parquet")
    tracks = _table(folder, "tracks")
    metrics = rows_of(folder / "metrics.parquet")
    located = tracks.to_pylist() if tracks else []
    chain, before = facts["chain"], facts["neighbours"]["before"]
    earlier = rows_of(folder.with_name(before) / "metrics.parquet") if before else []
    found = drawn.pictures(
        _pictures(folder, tracks, health, facts["rpm"], facts["sheet"]["temperature_c"]),
        path.with_name(path.stem),
        signature(facts["sheet"], chain, alone),
    )
    page.write(
        "capture.html",
        path,
        depth=1,
        **shared,
        # As in the table of captures: a remark of the measures makes an ok capture a flagged one.
        status=Status.FLAGGED if remarks else health["status"],
        reasons=[text for text in (health["reason"], *(row["remark"] for row in remarks)) if text],
        suffering=suffering(located, remarks, metrics),
        chain=chain_words(chain),
        pictures=found,
        figures=key_figures(metrics, earlier, linked=not alone),
        before=before if earlier else None,
        smalls=list(small_tables(folder)),
        longs=list(long_tables(folder)),
        # Below the results; of a recording by itself below its page's own folder.
        tables_folder="tables" if alone else f"captures/{facts['sheet']['capture']}",
        tracks=grid(located, TRACK_FIELDS) if located else None,
    )


def signature(sheet: Mapping[str, Any], chain: Mapping[str, Any], alone: bool = False) -> str:
    """Say what a picture of a capture is of; of a recording by itself the stylus is unknown."""
    stylus = "" if alone else f"stylus {sheet['stylus']}, "
    return (
        f"{sheet['capture']}: {stylus}{sheet['record']} side {sheet['side']}, {load_words(chain)}"
    )


def around(
    neighbours: Mapping[str, Any], sheet: Mapping[str, Any]
) -> list[tuple[str, str | None, str | None]]:
    """Name the captures before and after this one: of its stylus, and of its record side."""
    return [
        (f"Stylus {sheet['stylus']}", *neighbours["stylus"]),
        (f"Record {sheet['record']}, side {sheet['side']}", *neighbours["side"]),
    ]


def _table(folder: Path, name: str) -> pa.Table | None:
    path = folder / f"{name}.parquet"
    if not path.exists():
        return None
    rows = tables.read(path)
    return rows if rows.num_rows else None


def _pictures(
    folder: Path,
    tracks: pa.Table | None,
    health: Mapping[str, Any],
    rpm: float,
    temperature_c: float | None,
) -> Iterator[Picture]:
    """Draw what the capture's tables hold, in the order of reading."""

    def columns(name: str) -> Columns | None:
        rows = _table(folder, name)
        return None if rows is None else tables.columns(rows)

    if tracks is not None:
        yield timeline.timeline(tables.columns(tracks), health["duration_s"] or 0.0)
    if (response := columns("response")) is not None:
        yield frequency.response(response)
    match = columns("channel_match")
    if match is not None and tracks is not None and np.isfinite(match["balance_db"]).any():
        yield channel_match(match, tables.columns(tracks))
    if (separation := columns("separation")) is not None:
        yield frequency.separation(separation)
    if (rotation := columns("azimuth")) is not None:
        yield azimuth.azimuth(rotation)
    if (distortion := columns("distortion")) is not None:
        yield frequency.distortion(distortion)
    shares = columns("geometry")
    # Where neither tip nor arm is described there is nothing to set beside what was measured.
    for order in ORDERS:
        if shares is not None and np.isfinite(shares[f"geometry_h{order}_pct"]).any():
            yield geometry(shares, order)
    if (sidebands := columns("modulation")) is not None:
        for (track,), rows in groups(where(sidebands, limited=False), "track"):
            yield modulation(rows, int(float(str(track))))
    if (losses := columns("scanning")) is not None and np.isfinite(losses["loss_db"]).any():
        yield scanning(losses)
    if (spectrum := columns("spectrum")) is not None and tracks is not None:
        for (tone_hz,), rows in groups(_driven(spectrum, tables.columns(tracks)), "tone_hz"):
            yield frequency.spectrum(rows, float(str(tone_hz)))
    if (speed := columns("observations/speed_trace")) is not None:
        # Of several steady tones the longest says most; the others' figures are in the table.
        parts = [
            (track, rows)
            for (track, _), rows in groups(speed, "track", "channel")
            if np.isfinite(rows["deviation_pct"]).any()
        ]
        if parts:
            track, longest = max(parts, key=lambda part: count(part[1]))
            number = int(float(str(track)))
            yield motion.speed_trace(longest, number)
            yield motion.revolution(longest, number, rpm)
    noise = columns("observations/noise_density")
    if noise is not None and tracks is not None:
        silent = _silent(noise, tables.columns(tracks))
        if count(silent):
            yield frequency.noise_density(silent)
    if (swept := columns("resonance")) is not None:
        fits = columns("resonance_fit")
        yield resonance(swept, fits, temperature_c)
    if (ability := columns("tracking_ability")) is not None:
        yield tracking.tracking_ability(ability)
    if (steps := columns("bias")) is not None:
        yield bias(steps)


def _silent(rows: Columns, tracks: Columns) -> Columns:
    """Return the rows of silent grooves: of cut noise the bands are in a table of their own."""
    kept = np.isin(rows["track"], tracks["track"][tracks["kind"] == "silent_groove"])
    return {name: values[kept] for name, values in rows.items()}


def _driven(rows: Columns, tracks: Columns) -> Columns:
    """Return the rows of the channels that their track drives."""
    modulation = dict(zip(tracks["track"], tracks["modulation"], strict=True))
    kept = np.array(
        [
            modulation.get(track) in (channel, "lateral", "vertical")
            for track, channel in zip(rows["track"], rows["channel"], strict=True)
        ],
        dtype=bool,
    )
    return {name: values[kept] for name, values in rows.items()}
