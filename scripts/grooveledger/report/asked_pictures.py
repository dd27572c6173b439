"""Pictures that a person asks for by name: a stylus's trend, a capture's curve, two captures."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from grooveledger.faults import ConfigurationFaults, Fault
from grooveledger.report.cards import deciding_figure
from grooveledger.report.chain_words import load_words
from grooveledger.report.choice import channel_curves
from grooveledger.report.curve_changes import curve_change, played
from grooveledger.report.curve_changes import note as band_note
from grooveledger.report.grids import chosen, rows_of
from grooveledger.report.pictures.frequency import extent
from grooveledger.report.pictures.overlay import difference, overlay
from grooveledger.report.pictures.rows import Columns
from grooveledger.report.pictures.style import MARKS, Picture, headed, signed
from grooveledger.report.stylus_pictures import (
    CHANNELS,
    metrics_in_order,
    trend_of,
)
from grooveledger.storage import tables

Row = Mapping[str, Any]
Chains = Mapping[str, Mapping[str, Any]]

#: More records or loads than this are counted in a signature: it has one line.
NAMED_MOST = 2
#: Curves that can be drawn, with their titles.
CURVES = {
    "response": "Frequency response",
    "separation": "Channel separation",
    "distortion": "Harmonic distortion",
}


def stylus_trend(
    stylus: str, metric: str | None, tables_folder: Path, break_in_hours: float, chains: Chains
) -> Picture:
    """Draw one figure of a stylus against its hours: the one asked for, or the one that decides.

    Parameters
    ----------
    stylus, metric : str
        Ids; without a metric the figure that decides.
    tables_folder : Path
        The archive-wide tables.
    break_in_hours : float
        Of the stylus.
    chains : mapping
        The chains of the configuration by id, for their loads.

    Raises
    ------
    ConfigurationFaults
        There is no such stylus, or the figure was not measured on it.
    """
    captures = rows_of(tables_folder / "captures.parquet")
    own = [row for row in captures if row["stylus"] == stylus]
    if not own:
        raise _unknown("--stylus", stylus, (row["stylus"] for row in captures))
    metrics = tables.columns(chosen(tables_folder / "metrics.parquet", stylus=stylus))
    drift = rows_of(tables_folder / "drift.parquet", stylus=stylus)
    there = metrics_in_order(metrics, drift)
    if metric is None and there:
        states = rows_of(tables_folder / "stylus_states.parquet", stylus=stylus)
        decides = deciding_figure(states[0], drift) if states else None
        metric = decides["metric"] if decides else there[0]
    if metric is None or metric not in there:
        raise _unknown("--metric", metric or f"any figure of stylus {stylus}", there)
    control = rows_of(tables_folder / "control.parquet", stylus=stylus)
    picture = trend_of(metric, metrics, drift, break_in_hours, control, large=True)
    parts = (
        f"Stylus {stylus} of {own[0]['cartridge']}",
        _listed({row["record"] for row in own}, "records"),
        _listed({_load(row, chains) for row in own}, "loads"),
    )
    picture = signed(replace(picture, name=f"{stylus}-{metric}"), "; ".join(parts))
    return headed(picture, picture.title)


def capture_curve(
    capture: str, curve: str, channel: str | None, results: Path, chains: Chains
) -> Picture:
    """Draw a curve of a capture: response, separation or distortion; both channels by default.

    Raises
    ------
    ConfigurationFaults
        There is no such capture, or it has no such curve.
    """
    rows, curves = _found([capture], curve, [channel] if channel else CHANNELS, results)
    lines = [(name, part) for name, part in curves[0].items()]
    picture = overlay(
        "-".join([capture, curve, *([channel] if channel else [])]),
        CURVES[curve] + (f", {channel} channel" if channel else ""),
        curve,
        lines,
        marks=[MARKS[name] for name, _ in lines],
        hz=extent(*(part["frequency_hz"] for _, part in lines)),
    )
    return headed(signed(picture, f"{capture}: {_facts(rows[0], chains)}"), picture.title)


def two_captures(
    captures: Sequence[str], curve: str, channel: str, results: Path, chains: Chains
) -> tuple[Picture, Picture]:
    """Draw a curve of two captures over one another, and what the second differs from the first.

    What both were made with signs the pictures; where they differ, each has a line above.

    Raises
    ------
    ConfigurationFaults
        There is no such capture, or it has no such curve.
    """
    rows, found = _found(captures, curve, [channel], results)
    old, new = (curves[channel] for curves in found)
    labels = [_label(row) for row in rows]
    facts = [_facts(row, chains) for row in rows]
    alike = facts[0] == facts[1]
    lines = [f"{label}: {said}" for label, said in zip(labels, facts, strict=True)]
    hz = extent(old["frequency_hz"], new["frequency_hz"])
    title = f"{CURVES[curve]}, {channel} channel"
    name = "-".join([*captures, curve, channel])
    both = overlay(name, title, curve, list(zip(labels, (old, new), strict=True)), hz=hz)
    older, newer = (played(row, results / "tables") for row in rows)
    change = curve_change(curve, channel, (older, old), (newer, new))
    band = band_note(rows[0], rows[1], [change])
    apart = difference(f"{title}, change", curve, [(channel, *change)], band, hz)
    apart = replace(apart, name=f"{name}-difference")
    less = f"{captures[1]} less {captures[0]}"
    signature, above = (facts[0], []) if alike else ("", lines)
    return (
        headed(signed(both, signature), title, above),
        headed(signed(apart, signature), f"{title}, change", [less, *above]),
    )


def _found(
    captures: Sequence[str], curve: str, channels: Iterable[str], results: Path
) -> tuple[list[Row], list[dict[str, Columns]]]:
    """Return the rows of captures, and the curves of each by channel."""
    rows = {row["capture"]: row for row in rows_of(results / "tables" / "captures.parquet")}
    curves = []
    for capture in captures:
        if capture not in rows:
            raise _unknown("--captures", capture, rows)
        all_curves = channel_curves(results / "captures", capture, curve)
        wanted = {name: all_curves[name] for name in channels if name in all_curves}
        if not wanted:
            raise _unknown(f"--curve {curve} of {capture}", " or ".join(channels), all_curves)
        curves.append(wanted)
    return [rows[capture] for capture in captures], curves


def _label(row: Row) -> str:
    hours = "" if row["stylus_hours"] is None else f", {row['stylus_hours']:.0f} h"
    return f"{row['capture']}{hours}"


def _facts(row: Row, chains: Chains) -> str:
    """Say what a capture was made with: stylus, record and load."""
    return f"stylus {row['stylus']}, {row['record']} side {row['side']}, {_load(row, chains)}"


def _load(row: Row, chains: Chains) -> str:
    """Say the load of a capture; its chain, where the configuration has that no longer."""
    chain = chains.get(row["chain"])
    return f"chain {row['chain']}" if chain is None else load_words(chain)


def _listed(names: set[str], what: str) -> str:
    return f"{len(names)} {what}" if len(names) > NAMED_MOST else ", ".join(sorted(names))


def _unknown(option: str, asked: str, known: Iterable[str]) -> ConfigurationFaults:
    there = ", ".join(sorted(set(known)))
    remedy = f"There is {there}." if there else "There is none: run the workflow first."
    return ConfigurationFaults([Fault(option, "", f"no {asked}", remedy)])
