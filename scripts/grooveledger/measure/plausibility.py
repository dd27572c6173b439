"""Whether curves hold what they claim, checked before anything is written.

A reading that fails is left out, and what fails is a remark with a reason and a remedy: the
capture is then flagged. What contradicts the description without being impossible is `remarks`'s.
"""

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.joints import joint_remarks
from grooveledger.measure.metric_rows import Columns, groups
from grooveledger.measure.neighbours import off_their_neighbours
from grooveledger.plan import Side, Track
from grooveledger.plan.uses import is_resonance_sweep
from grooveledger.schemas.states import TrackMatch

#: The track that a remark speaks of, None for several, and its sentence.
Remark = tuple[int | None, str]
#: A response beyond this, up to the end of the audio band, is none of a cartridge that plays
#: (common practice).
ABSURD_DB, ABSURD_UP_TO_HZ = 20.0, 20_000.0
#: A curve covers what was cut if it ends so near to the described ends, as a factor: a sleeve's
#: frequencies are good to some per cent, and the lowest third of an octave passes in one window.
LOW_END, HIGH_END = 1.26, 1.12
#: A low sweep whose lowest reading is less than this many times its noise sank into it.
SUNK_RE_NOISE = 10.0
#: Two curves of one quantity are compared here, where neither groove radius nor wear matters.
COMPARED_HZ = (100.0, 5000.0)
#: Left and right responses differ by less, dB (common practice).
CHANNELS_APART_DB = 6.0
#: Two tracks agree within twice the record's guarantee, and this besides.
TRACKS_APART_DB = 0.5
#: A wall's own output and its part of a lateral or vertical cut differ by the other wall's
#: crosstalk, dB: by this where separation is as little as 15 dB.
CROSSTALK_DB = 1.75
#: A tone stands for 1 kHz within this, relative.
NEAR_1KHZ = 0.05
#: Columns of each table that a failed reading loses.
LOST = {
    "response": ("response_db", "uncertainty_db", "noise_db", "speed_db", "record_db"),
    "separation": ("separation_db", "crosstalk_phase_deg", "floor_db"),
    "distortion": (
        "level_mv", "thd_pct", "h2_pct", "h3_pct", "h4_pct", "h5_pct", "thd_as_heard_pct",
        "floor_pct", "noise_pct", "h2_noise_pct", "h3_noise_pct", "h4_noise_pct",
        "h5_noise_pct",
    ),
    "level": ("output_mv", "sensitivity_mv_per_cm_s", "interchannel_phase_deg"),
}  # fmt: skip


class CheckedTables(NamedTuple):
    """Tables without the readings that failed, and what was remarkable."""

    tables: dict[str, Columns]
    remarks: list[Remark]


def checked(
    measures: Mapping[str, Columns], context: CaptureContext, top_hz: float
) -> CheckedTables:
    """Check every curve of a capture.

    Parameters
    ----------
    measures : mapping
        Columns of each measure's table, by name; those without rows are left out.
    context : CaptureContext
        The capture.
    top_hz : float
        The highest frequency that its sampling rate allows.
    """
    tables: dict[str, Columns] = {name: dict(columns) for name, columns in measures.items()}
    remarks: list[Remark] = [*_coverage(measures, context, top_hz)]
    remarks += _crossed(tables)
    remarks += _response_readings(tables)
    remarks += _disagreements(tables, context.side)
    remarks += joint_remarks(tables, context.side)
    return CheckedTables(tables, remarks)


def _without(columns: Columns, name: str, rows: np.ndarray) -> Columns:
    """Return the columns whose values of some rows are missing."""
    changed = dict(columns)
    for column in LOST[name]:
        changed[column] = np.where(rows, np.nan, columns[column])
    return changed


# Coverage ---------------------------------------------------------------------------------------


def _coverage(
    measures: Mapping[str, Columns], context: CaptureContext, top_hz: float
) -> Iterator[Remark]:
    """Yield the sweeps and steps that were located and give no curve, or a short one."""
    tracks, orders = context.tracks, context.observations["orders"]
    located = set(tracks["track"][tracks["match"] == TrackMatch.FOUND])
    for track in context.side.tracks:
        if track.track not in located or track.kind not in ("sweep", "tone_steps"):
            continue
        rows = (orders["track"] == track.track) & (orders["order"] == 1)
        played_hz = orders["played_hz"][rows]
        if not len(played_hz):
            yield (
                track.track,
                f"track {track.track} was located but gives no curve: listen to it, and correct "
                f"{_keys(track)} if it plays through",
            )
        elif track.kind == "tone_steps":
            read = len(np.unique(orders["step"][rows]))
            wanted = sum(hz < top_hz for hz in track.frequencies_hz)
            if read < wanted:
                yield (
                    track.track,
                    f"track {track.track} gives {read} of its {wanted} steps: listen to it, and "
                    f"correct {_keys(track)} if all are there",
                )
        else:
            clear = orders["amplitude_fs"][rows] / orders["floor_fs"][rows]
            lowest = float(np.max(clear[played_hz == played_hz.min()]))
            yield from _short(track, played_hz, top_hz, lowest < SUNK_RE_NOISE)
        if len(played_hz) and _is_empty(measures, track):
            yield (
                track.track,
                f"track {track.track} gives no response: none of its readings stands clear of the "
                "noise; check that it is played, clean record and stylus, and capture again",
            )


def _is_empty(measures: Mapping[str, Columns], track: Track) -> bool:
    """Whether a track has readings of a response of which none has a value."""
    if "response" not in measures:
        return False
    rows = measures["response"]["part"] == track.track
    return bool(rows.any() and np.isnan(measures["response"]["response_db"][rows]).all())


def _short(track: Track, played_hz: np.ndarray, top_hz: float, sunk: bool) -> Iterator[Remark]:
    low_hz, high_hz = track.lowest_hz, min(track.highest_hz, top_hz)
    # Below the resonance of arm and cartridge a response falls by 12 dB an octave, into the rumble:
    # where a low sweep sinks into it says nothing about how it was cut.
    reaches_low = played_hz.min() <= low_hz * LOW_END or (is_resonance_sweep(track) and sunk)
    if reaches_low and played_hz.max() * HIGH_END >= high_hz:
        return
    yield (
        track.track,
        f"track {track.track} gives a curve from {played_hz.min():.0f} to {played_hz.max():.0f} Hz "
        f"only, but is described as {low_hz:.0f} to {high_hz:.0f} Hz: listen to it, and correct "
        f"{_keys(track)} if it plays through",
    )


def _keys(track: Track) -> str:
    return "start_hz, stop_hz and law" if track.kind == "sweep" else "frequencies_hz and step_s"


# Readings ---------------------------------------------------------------------------------------


def _crossed(tables: dict[str, Columns]) -> Iterator[Remark]:
    """Yield the tracks of one groove wall whose other channel is louder throughout."""
    for number, channel, rows in list(groups(tables, "separation")):
        stated = rows["separation_db"][~rows["limited"].astype(bool)]
        stated = stated[np.isfinite(stated)]
        if not len(stated) or stated.max() >= 0.0:
            continue
        for name in LOST:
            if name in tables:
                of_track = tables[name]["track"] == number
                tables[name] = _without(tables[name], name, of_track)
        other = "right" if channel == "left" else "left"
        yield (
            number,
            f"track {number} is described as {channel}, but {other} is louder throughout, so that "
            "it gives no figures: correct its modulation, or set swap_channels in the chain",
        )


def _response_readings(tables: dict[str, Columns]) -> Iterator[Remark]:
    """Yield the readings of a response that are absurd, or that their neighbours contradict."""
    if "response" not in tables:
        return
    columns = tables["response"]
    lost = np.zeros(len(columns["track"]), dtype=bool)
    limited = columns["limited"].astype(bool)
    for number in np.unique(columns["track"]):
        failed: dict[str, int] = {}
        for channel in ("left", "right"):
            own = (columns["track"] == number) & (columns["channel"] == channel)
            own &= np.isfinite(columns["response_db"])
            # A bound may be far up, where noise is; far down, nothing was cut.
            silent = own & limited & (columns["response_db"] < -ABSURD_DB)
            silent &= columns["frequency_hz"] <= ABSURD_UP_TO_HZ
            lost |= silent
            failed["absurd"] = failed.get("absurd", 0) + int(silent.sum())
            rows = np.flatnonzero(own & ~limited)
            rows = rows[np.argsort(columns["frequency_hz"][rows], kind="stable")]
            hz, response_db, noise_db = (
                columns[name][rows] for name in ("frequency_hz", "response_db", "noise_db")
            )
            is_absurd = (np.abs(response_db) > ABSURD_DB) & (hz <= ABSURD_UP_TO_HZ)
            is_off = off_their_neighbours(hz, response_db, noise_db) & ~is_absurd
            lost[rows] |= is_absurd | is_off
            for what, which in (("absurd", is_absurd), ("off", is_off)):
                failed[what] = failed.get(what, 0) + int(which.sum())
        yield from _lost(int(number), failed)
    if lost.any():
        tables["response"] = _without(columns, "response", lost)


def _lost(number: int, failed: Mapping[str, int]) -> Iterator[Remark]:
    if failed["absurd"]:
        yield (
            number,
            f"track {number} has {failed['absurd']} readings of its response beyond "
            f"{ABSURD_DB:.0f} dB, which are left out: check recorded, the chain's equalisation, "
            "and the sweep's start_hz, stop_hz and law",
        )
    if failed["off"]:
        yield (
            number,
            f"track {number} has {failed['off']} readings of its response that their neighbours "
            "contradict, which are left out: clean record and stylus, and capture again",
        )


# Two of one quantity ----------------------------------------------------------------------------


def _disagreements(tables: Mapping[str, Columns], side: Side) -> Iterator[Remark]:
    """Yield the channels, tracks, and tone and sweep that contradict one another."""
    curves = {}
    for number, channel, rows in groups(tables, "response"):
        stated = ~rows["limited"].astype(bool) & np.isfinite(rows["response_db"])
        stated &= rows["reference_hz"] == 1000.0
        if stated.sum() > 1:
            curves[number, channel] = {n: values[stated] for n, values in rows.items()}
    apart_db = 2.0 * side.response_tolerance_db + TRACKS_APART_DB
    places = list(curves)
    for i, (one, channel) in enumerate(places):
        for other, other_channel in places[i + 1 :]:
            same_cut = side.track(one).modulation == side.track(other).modulation
            is_channel = one == other
            if not is_channel and not (same_cut and channel == other_channel):
                continue
            off_db = _apart_db(curves[one, channel], curves[other, other_channel])
            if off_db > (CHANNELS_APART_DB if is_channel else apart_db):
                yield _contradiction(one, other, off_db)
    yield from _tone_and_sweep(tables, curves, side, apart_db)


def _apart_db(one: Columns, other: Columns) -> float:
    """Return the median difference of two responses where both reach.

    0 where they share nothing.
    """
    low_hz = max(COMPARED_HZ[0], one["frequency_hz"].min(), other["frequency_hz"].min())
    high_hz = min(COMPARED_HZ[1], one["frequency_hz"].max(), other["frequency_hz"].max())
    inside = (one["frequency_hz"] >= low_hz) & (one["frequency_hz"] <= high_hz)
    if not inside.any():
        return 0.0
    at = np.log(one["frequency_hz"][inside])
    there_db = np.interp(at, np.log(other["frequency_hz"]), other["response_db"])
    return float(np.median(np.abs(one["response_db"][inside] - there_db)))


def _contradiction(one: int, other: int, off_db: float) -> Remark:
    if one == other:
        return (
            one,
            f"the channels' responses on track {one} differ by {off_db:.1f} dB: check the "
            "cartridge's leads, and the preamplifier's channels",
        )
    return (
        None,
        f"the responses of tracks {one} and {other}, cut alike, differ by {off_db:.1f} dB: check "
        "what each was recorded with, start_hz, stop_hz and law, and the calibration",
    )


def _tone_and_sweep(
    tables: Mapping[str, Columns],
    curves: Mapping[tuple[int, str], Columns],
    side: Side,
    apart_db: float,
) -> Iterator[Remark]:
    """Yield a 1 kHz tone of known level against a curve that passes 1 kHz, in the same channel."""
    for tone, channel, rows in groups(tables, "level"):
        at_tone = float(rows["sensitivity_mv_per_cm_s"][0])
        near = abs(float(rows["frequency_hz"][0]) / 1000.0 - 1.0) <= NEAR_1KHZ
        if not near or rows["limited"][0] or not at_tone > 0.0:
            continue
        for (number, other), curve in curves.items():
            cuts = {side.track(number).modulation, side.track(tone).modulation}
            is_driven = cuts <= {channel, "lateral", "vertical"}
            at_sweep = float(curve["sensitivity_mv_per_cm_s"][0])
            if other != channel or not is_driven or not at_sweep > 0.0:
                continue
            off_db = 20.0 * np.log10(at_sweep / at_tone)
            if abs(off_db) > apart_db + (CROSSTALK_DB if len(cuts) > 1 else 0.0):
                yield (
                    None,
                    f"at 1 kHz track {number} is {abs(off_db):.1f} dB "
                    f"{'louder' if off_db > 0.0 else 'softer'} per velocity than the tone of track "
                    f"{tone} in the {channel} channel: check velocity_cm_s and velocity_measure of "
                    "both",
                )
