"""Inner against outer groove: treble lost and distortion gained, and the size of the contact."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.budget import DB_PER_NEPER
from grooveledger.measure.contact_radius import contact_radius
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.curve_metrics import at_frequency
from grooveledger.measure.declaration import Measure, Metric
from grooveledger.measure.harmonics import Harmonics, harmonic_lines
from grooveledger.measure.metric_rows import IN_PHASE, Columns, Figure, Measured, groups
from grooveledger.measure.readings import readings
from grooveledger.physics.groove import groove_speed_cm_s
from grooveledger.physics.uncertainty import rectangular
from grooveledger.plan import Side, Track
from grooveledger.plan.uses import is_audio_band
from grooveledger.schemas.table import (
    CAPTURE,
    CHANNEL,
    LIMITED,
    TRACK,
    TRUTH,
    WHOLE,
    Column,
    Table,
    real,
)
from grooveledger.storage import tables

TABLE = Table(
    "scanning",
    "measure",
    "Treble and distortion of the inner groove against the outer one, at the same frequencies.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        Column("outer_track", WHOLE, "", "number of the outer track"),
        CHANNEL,
        real(
            "frequency_hz", "Hz", "nominal frequency; of sweeps the middle of a third of an octave"
        ),
        real("inner_radius_mm", "mm", "radius of the inner track"),
        real("outer_radius_mm", "mm", "radius of the outer track"),
        real("loss_db", "dB", "level that the inner track has less than the outer one"),
        real("loss_noise_db", "dB", "standard uncertainty of the loss from noise"),
        real("loss_record_db", "dB", "standard uncertainty of the loss from the cuts' levels"),
        real("level_from_hz", "Hz", "frequency at which both count as equal; null: as described"),
        real("thd_rise_pct", "%", "distortion that the inner track has more than the outer one"),
        real("thd_rise_noise_pct", "%", "standard uncertainty of that rise from noise"),
        real("outer_thd_pct", "%", "distortion on the outer track; an upper bound where limited"),
        real("inner_thd_pct", "%", "distortion on the inner track; an upper bound where limited"),
        real(
            "contact_radius_um", "um", "radius of the contact along the groove that loses so much"
        ),
        real("contact_noise_um", "um", "standard uncertainty of the radius from noise"),
        real("contact_record_um", "um", "standard uncertainty of the radius from the cuts' levels"),
        Column("contact_limited", TRUTH, "", "true where the radius is an upper bound"),
        LIMITED,
    ),
)
AT_FREQUENCY = {
    "inner_loss_10khz_db": ("loss_db", 10_000.0),
    "inner_thd_rise_10khz_pct": ("thd_rise_pct", 10_000.0),
}
KINDS = ("tone", "tone_steps", "sweep")
#: Radii are worth comparing from this ratio on (our choice): a sixth takes a quarter of the loss.
LEAST_RATIO = 1.15
#: Sweeps are compared over these bands, octaves, from this frequency on.
BAND_OCTAVES, LOWEST_HZ = 1.0 / 3.0, 500.0
#: Places in a band at which a curve is averaged, from its lower end at -1 to its upper at 1.
BAND_PLACES = np.linspace(-1.0, 1.0, 41)
#: Two tones are of one frequency within this, relative.
SAME_FREQUENCY = 0.01
#: Levels are held together at the lowest common frequency where the highest is this multiple:
#: there the contact loses less than a fifteenth of what it loses at the top.
REFERENCE_SPAN = 4.0


class GrooveCurve(NamedTuple):
    """What one channel of a track gives, by rising frequency.

    Attributes
    ----------
    frequency_hz, level_db, noise_db : ndarray
        Level over the described velocity, and its standard uncertainty from noise; NaN where it
        does not stand clear of the noise.
    thd_pct, thd_noise_pct : ndarray
        NaN noise where the distortion is a bound.
    """

    frequency_hz: np.ndarray
    level_db: np.ndarray
    noise_db: np.ndarray
    thd_pct: np.ndarray
    thd_noise_pct: np.ndarray


def is_used(track: Track) -> bool:
    """Whether a track may be compared with another at another radius."""
    return (
        track.kind in KINDS
        and is_audio_band(track, "response", "distortion", "level")
        and track.velocity_cm_s is not None
        and track.radius_mm is not None
        and track.highest_hz > LOWEST_HZ
    )


def pairs(side: Side) -> list[tuple[Track, Track]]:
    """Return each inner track with the outermost one that has a frequency in common with it."""
    used = sorted(filter(is_used, side.tracks), key=lambda track: -float(track.radius_mm or 0.0))
    found = []
    for inner in used:
        partner = next((outer for outer in used if _comparable(outer, inner)), None)
        if partner is not None:
            found.append((partner, inner))
    return found


def tracks_of(side: Side) -> Sequence[Track]:
    """Return the tracks of a side that have a partner at another radius."""
    wanted = {track.track for pair in pairs(side) for track in pair}
    return [track for track in side.tracks if track.track in wanted]


def _comparable(outer: Track, inner: Track) -> bool:
    if outer.modulation != inner.modulation or outer.kind != inner.kind:
        return False
    if float(outer.radius_mm or 0.0) < LEAST_RATIO * float(inner.radius_mm or np.inf):
        return False
    low, high = max(outer.lowest_hz, inner.lowest_hz), min(outer.highest_hz, inner.highest_hz)
    return low <= high * (1.0 + SAME_FREQUENCY)


def measure(context: CaptureContext) -> pa.Table:
    """Compare every inner track with an outer one of its kind and modulation.

    The cartridge, its load and the preamplifier are the same in both, at the same frequency: they
    cancel. What is left is of the length of the waves in the groove, and of the two cuts.
    """
    orders = terminals.by_channel(context.observations["orders"], context.chain)
    lines = harmonic_lines(orders)

    def curve(track: Track, channel: str) -> GrooveCurve:
        read = readings(orders, track.track, channel, lines)
        velocity = terminals.channel_velocity_rms_cm_s(track, read.nominal_hz, context.side)
        found = Harmonics(read, context.chain)
        order = np.argsort(read.nominal_hz, kind="stable")
        level = np.where(found.heard & (found.level_mv > 0.0), found.level_mv / velocity, np.nan)
        noise = terminals.output_mv(read.floor_fs[:, 0], read.played_hz, context.chain)
        columns = (
            read.nominal_hz,
            DB_PER_NEPER * np.log(level),
            IN_PHASE * DB_PER_NEPER * noise / (level * velocity),
            100.0 * found.thd(found.ratio),
            100.0 * found.noise,
        )
        return GrooveCurve(*(column[order] for column in columns))

    parts = [
        _rows(context, outer, inner, channel, curve(outer, channel), curve(inner, channel))
        for outer, inner in pairs(context.side)
        for channel in inner.driven_channels
    ]
    return tables.concat(TABLE, [part for part in parts if part is not None])


def _rows(
    context: CaptureContext,
    outer: Track,
    inner: Track,
    channel: str,
    first: GrooveCurve,
    second: GrooveCurve,
) -> pa.Table | None:
    side = context.side
    if inner.kind == "sweep":
        first, second = _banded(first, second)
    else:
        first, second = _matched(first, second)
    hz = second.frequency_hz
    if not len(hz):
        return None
    speeds = [
        float(groove_speed_cm_s(float(track.radius_mm or np.nan), side.rpm))
        for track in (outer, inner)
    ]
    loss = first.level_db - second.level_db
    noise = np.hypot(first.noise_db, second.noise_db)
    # Either cut has departures of its own.
    record = np.full(len(hz), np.sqrt(2.0) * float(rectangular(side.response_tolerance_db)))
    there = np.flatnonzero(np.isfinite(loss))
    is_referred = len(there) > 1 and bool(hz[there[-1]] >= REFERENCE_SPAN * hz[there[0]])
    if is_referred:
        beyond = np.arange(len(hz)) > there[0]
        loss = loss - loss[there[0]]
        noise = np.where(beyond, np.hypot(noise, noise[there[0]]), 0.0 * noise)
        record = np.where(beyond, record, 0.0)
    contact = contact_radius(
        hz[there], loss[there], noise[there], record[there], speeds[0], speeds[1], is_referred
    )
    bounds = np.isnan(first.thd_noise_pct) | np.isnan(second.thd_noise_pct)
    return tables.build(
        TABLE,
        {
            "capture": context.capture,
            "track": inner.track,
            "outer_track": outer.track,
            "channel": channel,
            "frequency_hz": hz,
            "inner_radius_mm": inner.radius_mm,
            "outer_radius_mm": outer.radius_mm,
            "loss_db": loss,
            "loss_noise_db": noise,
            "loss_record_db": np.where(np.isnan(loss), np.nan, record),
            "level_from_hz": hz[there[0]] if is_referred else np.nan,
            "thd_rise_pct": np.where(bounds, np.nan, second.thd_pct - first.thd_pct),
            "thd_rise_noise_pct": np.hypot(first.thd_noise_pct, second.thd_noise_pct),
            "outer_thd_pct": first.thd_pct,
            "inner_thd_pct": second.thd_pct,
            "contact_radius_um": contact.radius_um,
            "contact_noise_um": contact.noise_um,
            "contact_record_um": contact.record_um,
            "contact_limited": contact.limited,
            "limited": np.isnan(loss),
        },
    )


def _banded(first: GrooveCurve, second: GrooveCurve) -> tuple[GrooveCurve, GrooveCurve]:
    """Average the readings of two sweeps over the bands that both cover from end to end."""
    half = 2.0 ** (0.5 * BAND_OCTAVES)
    centres = 1000.0 * 2.0 ** (BAND_OCTAVES * np.arange(-12, 19))
    centres = centres[centres >= LOWEST_HZ]
    for hz in (first.frequency_hz, second.frequency_hz):
        if not len(hz):
            return _averaged(first, centres[:0], half), _averaged(second, centres[:0], half)
        centres = centres[(centres / half >= hz[0]) & (centres * half <= hz[-1])]
    return _averaged(first, centres, half), _averaged(second, centres, half)


def _averaged(curve: GrooveCurve, centres: np.ndarray, half: float) -> GrooveCurve:
    """Average curves over bands; one bound among a band's readings makes its mean a bound.

    Between readings a curve goes straight on: on a steep curve, a reading that a tick cost or that
    lies just beyond a band's end would else move the mean.
    """
    means = np.full((4, len(centres)), np.nan)
    log_hz = np.log(curve.frequency_hz)
    for place, centre in enumerate(centres):
        inside = (curve.frequency_hz >= centre / half) & (curve.frequency_hz < centre * half)
        count = int(inside.sum())
        if count:
            along = np.log(centre) + np.log(half) * BAND_PLACES
            means[:, place] = (
                np.mean(np.interp(along, log_hz, curve.level_db)),
                np.sqrt(np.mean(curve.noise_db[inside] ** 2) / count),
                np.mean(np.interp(along, log_hz, curve.thd_pct)),
                np.sqrt(np.mean(curve.thd_noise_pct[inside] ** 2) / count),
            )
    return GrooveCurve(centres, *means)


def _matched(first: GrooveCurve, second: GrooveCurve) -> tuple[GrooveCurve, GrooveCurve]:
    """Keep the tones that both tracks have."""
    places = [
        (i, j)
        for j, hz in enumerate(second.frequency_hz)
        for i in np.flatnonzero(np.abs(first.frequency_hz / hz - 1.0) <= SAME_FREQUENCY)[:1]
    ]
    outer, inner = ([place[side] for place in places] for side in (0, 1))
    return (
        GrooveCurve(*(column[outer] for column in first)),
        GrooveCurve(*(column[inner] for column in second)),
    )


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield loss and rise at 10 kHz, and the contact's radius."""

    def parts(rows: Columns, column: str) -> dict[str, np.ndarray]:
        if column == "loss_db":
            return {"noise": rows["loss_noise_db"], "record": rows["loss_record_db"]}
        # Distortion goes with the level that is cut.
        record = np.hypot(rows["outer_thd_pct"], rows["inner_thd_pct"])
        return {
            "noise": rows["thd_rise_noise_pct"],
            "record": record * rows["loss_record_db"] / (np.sqrt(2.0) * DB_PER_NEPER),
        }

    yield from at_frequency(measured, TABLE.name, AT_FREQUENCY, parts)
    for track, channel, rows in groups(measured.tables, TABLE.name):
        yield Figure(
            "contact_radius_um",
            channel,
            track,
            float(rows["contact_radius_um"][0]),
            float(rows["contact_noise_um"][0]),
            bool(rows["contact_limited"][0]),
            parts={"record": float(rows["contact_record_um"][0])},
        )


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    of_side=tracks_of,
    needs="the same tones or sweep, with velocity_cm_s, on two tracks of one modulation whose "
    "radius_mm differ by 15 %",
    metrics=(
        Metric(
            "inner_loss_10khz_db",
            "dB",
            "Treble lost on the inner groove at 10 kHz",
            repeatability=0.2,
            least_change=0.3,
            is_signed=True,
        ),
        Metric(
            "inner_thd_rise_10khz_pct",
            "%",
            "Distortion gained on the inner groove at 10 kHz",
            repeatability=0.5,
            least_change=0.5,
            is_signed=True,
        ),
        Metric(
            "contact_radius_um",
            "um",
            "Radius of the contact along the groove, by scanning",
            least_share=0.1,
        ),
    ),
    figures=figures,
)
