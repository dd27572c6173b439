"""Frequency response of the driven channel, from sweeps, tones in steps or tracks, and noise."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from grooveledger.measure.budget import record_part_db, response_parts_db, speed_part_db
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.curve_metrics import at_frequency
from grooveledger.measure.declaration import NOT_PLAYS, Measure, Metric
from grooveledger.measure.fundamentals import fundamental, speed_ratio
from grooveledger.measure.metric_rows import Columns, Figure, Measured
from grooveledger.measure.noise_bands import levels_re_cut_db, noise_bands
from grooveledger.measure.reference_level import reference_of
from grooveledger.measure.response_shape import response_shape
from grooveledger.measure.terminals import (
    output_mv,
    recorded_deviation_db,
    stated_velocity_rms_cm_s,
)
from grooveledger.physics.uncertainty import combine, noise_level_db
from grooveledger.plan import Side, Track
from grooveledger.plan.curves import PlannedCurve, response_curves, serves_response
from grooveledger.schemas.table import (
    CAPTURE,
    CHANNEL,
    FREQUENCY,
    LIMITED,
    PLAYED,
    TRACK,
    WHOLE,
    Column,
    Table,
    real,
)
from grooveledger.storage import tables

TABLE = Table(
    "response",
    "measure",
    "Frequency response of the driven channel.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        FREQUENCY,
        real("response_db", "dB", "relative to the reference frequency"),
        real("reference_hz", "Hz", "1000, or the centre of the nearest octave of the track"),
        real("uncertainty_db", "dB", "standard uncertainty"),
        PLAYED,
        LIMITED,
        real("noise_db", "dB", "its part from noise alone"),
        real("speed_db", "dB", "its part from the platter's momentary speed"),
        real("sensitivity_mv_per_cm_s", "mV s/cm", "rms at the reference; null without a velocity"),
        Column("part", WHOLE, "", "track that the point was read from; `track` names its curve"),
        real("record_db", "dB", "the part from the record's tolerance"),
    ),
    revision=3,
)
#: Metrics read from the curve: column and frequency.
AT_FREQUENCY = {
    "response_100hz_db": ("response_db", 100.0),
    "response_5khz_db": ("response_db", 5000.0),
    "response_10khz_db": ("response_db", 10_000.0),
    "response_15khz_db": ("response_db", 15_000.0),
    "response_20khz_db": ("response_db", 20_000.0),
}


class Points(NamedTuple):
    """What one track adds to a curve, shape (n,) each.

    Attributes
    ----------
    part : ndarray
        The track's number.
    frequency_hz, played_hz : ndarray
        The point's frequency as the table has it, and as played.
    level_db : ndarray
        Output over 1 mV at the recorded velocity of the law's 0 dB, or per velocity where stated.
    noise_db : ndarray
        Standard uncertainty from noise.
    speed_db : ndarray
        Standard uncertainty from the platter's momentary speed.
    limited : ndarray of bool
        Whether noise makes the level a bound.
    """

    part: np.ndarray
    frequency_hz: np.ndarray
    played_hz: np.ndarray
    level_db: np.ndarray
    noise_db: np.ndarray
    speed_db: np.ndarray
    limited: np.ndarray


def tracks_used(side: Side) -> list[Track]:
    """Return the tracks of a side that a response is read from."""
    return [track for curve in response_curves(side) for track in curve.tracks]


def measure(context: CaptureContext) -> pa.Table:
    """Measure the response of every sweep and stepped track, of tones one a track, and of noise.

    The replay equalisation is undone at the played frequency, the recorded law and the record's
    calibration at the nominal one; what is left is the cartridge and its electrical load. Where
    noise hides the tone, the response is an upper bound (95 %). Tracks that make one curve together
    (`plan.curves`) are laid side by side by their stated velocities. A point of noise is the mean
    over a third of an octave.

    Returns
    -------
    pyarrow.Table
        `TABLE`.
    """
    parts = []
    swept_db = speed_part_db(context)
    for curve in response_curves(context.side):
        for channel in curve.channels:
            points = _points(context, curve, channel, swept_db)
            if points is not None:
                parts.append(_rows(context, curve, channel, points))
    return tables.concat(TABLE, parts)


def _points(
    context: CaptureContext, curve: PlannedCurve, channel: str, swept_db: float
) -> Points | None:
    """Return the points of all tracks of a curve; of several at one frequency the first.

    `swept_db` is the platter's part in what a sweep says.
    """
    if curve.tracks[0].kind == "noise":
        return _noise_points(context, curve.tracks[0], channel)
    # Parts without stated velocities are taken as cut alike.
    per_velocity = _has_velocities(curve)
    read = [_read(context, track, channel, per_velocity, swept_db) for track in curve.tracks]
    there = [points for points in read if points is not None]
    if not there:
        return None
    points = Points(*map(np.concatenate, zip(*there, strict=True)))
    if len(there) == 1:
        return points
    _, first = np.unique(points.frequency_hz, return_index=True)
    return Points(*(values[np.sort(first)] for values in points))


def _read(
    context: CaptureContext, track: Track, channel: str, per_velocity: bool, swept_db: float
) -> Points | None:
    """Return the points that one track adds; None where it was not observed."""
    found = fundamental(context, track)
    if found is None:
        return None
    is_sweep = track.kind == "sweep"
    # A tone may be off its frequency as it was cut; the platter is as fast for all of them.
    recorded_hz = found.nominal_hz if is_sweep else found.played_hz / speed_ratio(context)
    output = output_mv(found.amplitude[channel], found.played_hz, context.chain)
    level_db = 20.0 * np.log10(output * recorded_hz / found.played_hz)
    level_db = level_db - recorded_deviation_db(track, recorded_hz, context.side)
    if per_velocity:
        level_db = level_db - 20.0 * np.log10(stated_velocity_rms_cm_s(track))
    return Points(
        part=np.full(len(level_db), track.track),
        frequency_hz=found.played_hz if is_sweep else found.nominal_hz,
        played_hz=found.played_hz,
        level_db=level_db,
        noise_db=noise_level_db(found.noise_to_signal(channel)),
        speed_db=np.full(len(level_db), swept_db if is_sweep else 0.0),
        limited=found.limited[channel],
    )


def _noise_points(context: CaptureContext, track: Track, channel: str) -> Points | None:
    """Return the points of a track of noise, one a third of an octave.

    None where it was not analysed.
    """
    bands = noise_bands(context, track, channel)
    if bands is None:
        return None
    level_db = levels_re_cut_db(context, track, bands)
    return Points(
        part=np.full(len(level_db), track.track),
        frequency_hz=bands.middle_hz,
        played_hz=bands.middle_hz,
        level_db=level_db,
        noise_db=bands.noise_db,
        speed_db=np.zeros(len(level_db)),
        limited=bands.limited,
    )


def _has_velocities(curve: PlannedCurve) -> bool:
    """Whether levels of a curve are per velocity; that of noise is of all its bands together."""
    velocities = [stated_velocity_rms_cm_s(track) for track in curve.tracks]
    return curve.tracks[0].kind != "noise" and bool(np.isfinite(velocities).all())


def _rows(context: CaptureContext, curve: PlannedCurve, channel: str, points: Points) -> pa.Table:
    """Refer a curve to its reference."""
    side, chain = context.side, context.chain
    frequency_hz, level_db = points.frequency_hz, points.level_db
    reference = reference_of(frequency_hz, level_db, points.noise_db, points.limited)
    reference_hz = np.array(reference.frequency_hz)
    nearest = np.argmin(np.abs(np.log(frequency_hz / reference.frequency_hz)))
    is_same_cut = points.part == points.part[nearest]
    record_db = record_part_db(side, frequency_hz, reference_hz, is_same_cut)
    known_db = response_parts_db(chain, frequency_hz, reference_hz)
    noise_db = np.hypot(points.noise_db, reference.noise_db)
    return tables.build(
        TABLE,
        {
            "capture": context.capture,
            "track": curve.tracks[0].track,
            "channel": channel,
            "frequency_hz": frequency_hz,
            "response_db": level_db - reference.level_db,
            "reference_hz": reference.frequency_hz,
            "uncertainty_db": combine(noise_db, points.speed_db, record_db, *known_db.values()),
            "played_hz": points.played_hz,
            "limited": points.limited,
            "noise_db": noise_db,
            "speed_db": points.speed_db,
            # Per velocity at the frequencies where the recorded law deviates by nothing.
            "sensitivity_mv_per_cm_s": (
                10.0 ** (reference.level_db / 20.0) if _has_velocities(curve) else np.nan
            ),
            "part": points.part,
            "record_db": record_db,
        },
    )


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the response at the metrics' frequencies, and the shape of the curve."""

    def parts_db(rows: Columns, _: str) -> dict[str, np.ndarray]:
        return {
            "noise": rows["noise_db"],
            "speed": rows["speed_db"],
            "record": rows["record_db"],
            **response_parts_db(measured.chain, rows["frequency_hz"], rows["reference_hz"]),
        }

    yield from at_frequency(measured, "response", AT_FREQUENCY, parts_db)
    yield from response_shape(measured, parts_db)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=serves_response,
    of_side=tracks_used,
    needs="a sweep, stepped tones, several tones of one modulation, or noise in the audio band",
    metrics=(
        Metric(
            "response_100hz_db",
            "dB",
            "Response at 100 Hz",
            repeatability=0.1,
            covariates=NOT_PLAYS,
            least_change=0.3,
        ),
        Metric(
            "response_5khz_db",
            "dB",
            "Response at 5 kHz",
            repeatability=0.1,
            limit={"falls_by": 1.5},
            least_change=0.3,
        ),
        Metric(
            "response_10khz_db",
            "dB",
            "Response at 10 kHz",
            repeatability=0.15,
            limit={"falls_by": 2.0},
            least_change=0.3,
        ),
        Metric(
            "response_15khz_db",
            "dB",
            "Response at 15 kHz",
            repeatability=0.25,
            limit={"falls_by": 3.0},
            least_change=0.5,
        ),
        Metric(
            "response_20khz_db",
            "dB",
            "Response at 20 kHz",
            repeatability=0.4,
            limit={"falls_by": 4.0},
            least_change=0.7,
        ),
        Metric(
            "response_peak_db",
            "dB",
            "Treble peak",
            repeatability=0.2,
            least_change=0.5,
        ),
        Metric(
            "response_peak_hz",
            "Hz",
            "Treble peak lies at",
            least_share=0.05,
        ),
        Metric(
            "response_deviation_db",
            "dB",
            "Half the spread, 1 to 10 kHz",
            repeatability=0.1,
            least_change=0.3,
        ),
        Metric(
            "upper_limit_hz",
            "Hz",
            "Upper limit, \N{MINUS SIGN}3 dB",
            limit={"falls_to_factor": 0.8},
            least_share=0.05,
        ),
    ),
    figures=figures,
)
