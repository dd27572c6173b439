"""Azimuth: how far a cartridge is turned about the groove's axis, from both of its crosstalks."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from grooveledger.measure.budget import DB_PER_NEPER, two_tracks_db
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.curve_metrics import at_frequency
from grooveledger.measure.declaration import Covariate, Group, Measure, Metric
from grooveledger.measure.fundamentals import Fundamental, fundamental, wrapped_deg
from grooveledger.measure.metric_rows import IN_PHASE, Columns, Figure, Measured
from grooveledger.measure.terminals import OTHER
from grooveledger.plan import Track
from grooveledger.plan.uses import is_audio_band
from grooveledger.schemas.table import CAPTURE, FREQUENCY, LIMITED, TRACK, Table, real, text
from grooveledger.storage import tables

TABLE = Table(
    "azimuth",
    "measure",
    "Rotation and leak in the crosstalk of a left and a right track.",
    ("capture", "track", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        text("channel", "both"),
        FREQUENCY,
        real("azimuth_deg", "deg", "angle of the cartridge, clockwise seen from its front"),
        real("noise_deg", "deg", "standard uncertainty of the angle from noise"),
        real("leak_db", "dB", "crosstalk of the same sign in both directions over the driven one"),
        real("leak_phase_deg", "deg", "its phase"),
        real("separation_db", "dB", "as played: rms of both crosstalks, balance taken out"),
        real("balanced_separation_db", "dB", "the same with the angle taken out"),
        LIMITED,
    ),
)
#: Metrics read from the curve: column and frequency.
AT_FREQUENCY = {
    "azimuth_deg": ("azimuth_deg", 1000.0),
    "separation_balanced_db": ("balanced_separation_db", 1000.0),
}
#: Crosstalk below which no separation is resolved: 24-bit rounding.
LEAST_CROSSTALK = 2.0**-23
#: Points of two curves belong together within this ratio of frequencies.
SAME_FREQUENCY = 1.02


def is_used(track: Track) -> bool:
    """Whether the crosstalk of a track is read: one that drives one groove wall alone."""
    return (
        track.kind in ("tone", "sweep", "tone_steps")
        and track.modulation in ("left", "right")
        and is_audio_band(track, "separation", "response", "level")
    )


def measure(context: CaptureContext) -> pa.Table:
    """Split the crosstalks of each pair of a left and a right track into rotation and leak.

    A pair turned by an angle puts tan(angle) of one wall into the other channel, with opposite
    signs in the two directions; whatever couples the channels alike has one sign (geometry of two
    axes at right angles). The channels' different sensitivities are taken out with the driven
    levels, since one track drives the left and the other the right wall at the same velocity.

    Returns
    -------
    pyarrow.Table
        `TABLE`; null where noise hides one of the crosstalks.
    """
    walls = [track for track in context.side.tracks if is_used(track)]
    polarity = _polarity(context)
    parts = []
    for left in walls:
        right = next((track for track in walls if _is_counterpart(left, track)), None)
        if right is None:
            continue
        read = fundamental(context, left), fundamental(context, right)
        if read[0] is not None and read[1] is not None:
            parts.append(_rows(context, left, read[0], read[1], polarity))
    return tables.concat(TABLE, parts)


def _is_counterpart(left: Track, right: Track) -> bool:
    """Whether a track is in the right wall what another is in the left one."""
    return (left.modulation, right.modulation) == ("left", "right") and all(
        getattr(left, name) == getattr(right, name)
        for name in ("kind", "velocity_cm_s", "lowest_hz", "highest_hz")
    )


def _polarity(context: CaptureContext) -> float:
    """Return -1 where lateral tracks show the channels in opposite polarity, else 1."""
    cosines = [np.empty(0)]
    for track in context.side.tracks:
        if track.modulation != "lateral" or not is_audio_band(track, "level", "response", "speed"):
            continue
        if track.kind not in ("tone", "sweep", "tone_steps"):
            continue
        read = fundamental(context, track)
        if read is not None:
            is_clear = ~(read.limited["left"] | read.limited["right"])
            phase_deg = read.phase_deg["right"] - read.phase_deg["left"]
            cosines.append(np.cos(np.radians(phase_deg[is_clear])))
    joined = np.concatenate(cosines)
    return -1.0 if len(joined) and np.median(joined) < 0.0 else 1.0


class _Wall(NamedTuple):
    """One driven wall: outputs and crosstalk; ones and zero where noise limits a reading."""

    is_clear: np.ndarray
    driven: np.ndarray
    crosstalk: np.ndarray
    noise_ratio: np.ndarray


def _wall(read: Fundamental, driven: str, places: np.ndarray) -> _Wall:
    """Return the driven output, the complex crosstalk and its noise at some of the readings."""
    undriven = OTHER[driven]
    is_clear = ~(read.limited[driven] | read.limited[undriven])[places]
    size = np.where(is_clear, read.amplitude[driven][places], 1.0)
    other = np.where(is_clear, read.amplitude[undriven][places], 0.0)
    floor = np.where(is_clear, read.floor[undriven][places], 0.0)
    phase_deg = (read.phase_deg[undriven] - read.phase_deg[driven])[places]
    turn = np.exp(1j * np.radians(np.where(is_clear, phase_deg, 0.0)))
    return _Wall(is_clear, size, other / size * turn, floor / size)


def _rows(
    context: CaptureContext, track: Track, left: Fundamental, right: Fundamental, polarity: float
) -> pa.Table:
    """Return the rows of one pair, at the left track's frequencies that the right one has too."""
    ratio = np.abs(np.log(left.nominal_hz[:, np.newaxis] / right.nominal_hz))
    here = np.flatnonzero(ratio.min(axis=1) <= np.log(SAME_FREQUENCY))
    one = _wall(left, "left", here)
    other = _wall(right, "right", np.argmin(ratio, axis=1)[here])
    is_clear = one.is_clear & other.is_clear
    balance = np.where(is_clear, other.driven / one.driven, 1.0)
    to_right, to_left = polarity * one.crosstalk / balance, polarity * other.crosstalk * balance
    leak = 0.5 * (to_left + to_right)
    tangent = 0.5 * (to_left - to_right).real
    noise = 0.5 * np.hypot(one.noise_ratio / balance, other.noise_ratio * balance)
    # Turned back: the pair's crosstalks through the inverse rotation, exactly.
    turned_right = (to_right + tangent) / (1.0 + to_left * tangent)
    turned_left = (to_left - tangent) / (1.0 - to_right * tangent)
    stated = {
        "azimuth_deg": np.degrees(np.arctan(tangent)),
        "noise_deg": np.degrees(IN_PHASE * noise),
        "leak_db": _db(np.abs(leak)),
        "leak_phase_deg": wrapped_deg(np.degrees(np.angle(leak))),
        "separation_db": -_rms_db(to_right, to_left),
        "balanced_separation_db": -_rms_db(turned_right, turned_left),
    }
    return tables.build(
        TABLE,
        {
            "capture": context.capture,
            "track": track.track,
            "channel": "both",
            "frequency_hz": (left.played_hz if track.kind == "sweep" else left.nominal_hz)[here],
            **{name: np.where(is_clear, values, np.nan) for name, values in stated.items()},
            "limited": ~is_clear,
        },
    )


def _db(ratio: np.ndarray) -> np.ndarray:
    """Return 20 log10 of a ratio; NaN where it is nothing."""
    return 20.0 * np.log10(np.where(ratio > 0.0, ratio, np.nan))


def _rms_db(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return the level of the rms of two complex ratios, dB."""
    return _db(np.sqrt(0.5 * (np.abs(one) ** 2 + np.abs(other) ** 2)))


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield angle and balanced separation at 1 kHz.

    Two tracks have each their own level within the record's tolerance; a wrong balance turns part
    of the leak into rotation, and part of the rotation into leak.
    """
    levels = {name: u / DB_PER_NEPER for name, u in two_tracks_db(measured.side).items()}

    def parts(rows: Columns, column: str) -> dict[str, np.ndarray]:
        leak = 10.0 ** (rows["leak_db"] / 20.0)
        in_phase = np.cos(np.radians(rows["leak_phase_deg"]))
        if column == "azimuth_deg":
            shift_deg = np.degrees(np.abs(leak * in_phase))
            return {"noise": rows["noise_deg"], **{n: u * shift_deg for n, u in levels.items()}}
        left_over = np.maximum(10.0 ** (-rows["balanced_separation_db"] / 20.0), LEAST_CROSSTALK)
        per_radian = DB_PER_NEPER / left_over
        shift = per_radian * np.abs(np.tan(np.radians(rows["azimuth_deg"])) * in_phase)
        return {
            "noise": per_radian * np.radians(rows["noise_deg"]),
            **{name: u * shift for name, u in levels.items()},
        }

    yield from at_frequency(measured, TABLE.name, AT_FREQUENCY, parts)


MOUNTING = frozenset((Covariate.CHAIN, Covariate.RECORD))

MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="the same tone, sweep or stepped tones in the left and in the right groove wall",
    metrics=(
        Metric(
            "azimuth_deg",
            "deg",
            "Azimuth, clockwise seen from the front",
            group=Group.CHAIN,
            covariates=MOUNTING,
            repeatability=0.2,
            is_signed=True,
            least_change=0.5,
        ),
        Metric(
            "separation_balanced_db",
            "dB",
            "Separation at 1 kHz with azimuth set",
            group=Group.CHAIN,
            least_change=1.0,
        ),
    ),
    figures=figures,
)
