"""Vertical tracking angle and traced radius, from the frequency modulation of two-tone tracks."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Covariate, Measure, Metric
from grooveledger.measure.metric_rows import Figure, Measured, groups
from grooveledger.measure.two_tone import modulated
from grooveledger.physics.groove import groove_speed_cm_s
from grooveledger.physics.uncertainty import rectangular
from grooveledger.plan import Side, Track
from grooveledger.schemas.table import CAPTURE, CHANNEL, LIMITED, TRACK, TRUTH, Column, Table, real
from grooveledger.storage import tables

TABLE = Table(
    "vertical_angle",
    "measure",
    "Vertical tracking angle and traced radius, of vertical two-tone tracks.",
    ("capture", "track", "channel"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("low_hz", "Hz", "low tone"),
        real("high_hz", "Hz", "high tone"),
        real("groove_speed_cm_s", "cm/s", "nominal speed of the groove"),
        real(
            "angle_error_deg",
            "deg",
            "angle at which the stylus moves less that at which the record was cut",
        ),
        real(
            "angle_deg", "deg", "angle at which the stylus moves; null where the cut's is unknown"
        ),
        real("cut_angle_deg", "deg", "angle of the cut, described or nominal"),
        Column("cut_angle_described", TRUTH, "", "whether the record's description has it"),
        real("slope_difference", "", "difference of the tangents of the angles, without its sign"),
        real("tracing_radius_um", "um", "radius of the tip along the groove that traces so"),
        real("angle_noise_deg", "deg", "standard uncertainty of the angle from noise"),
        real("angle_level_deg", "deg", "standard uncertainty of the angle from the record's level"),
        real("angle_phase_deg", "deg", "standard uncertainty of the angle from phase"),
        real("radius_uncertainty_um", "um", "standard uncertainty of the radius, all components"),
        LIMITED,
    ),
)
#: Vertical angle at which records are cut where the description has none, and how far the cut may
#: be from it: the nominal angle of IEC 60098 is 20 degrees (its tolerance of 5 from memory).
NOMINAL_CUT_DEG, CUT_TOLERANCE_DEG = 20.0, 5.0
#: The tracing part says which way the groove rises; it must stand so far above its noise, and be
#: more than what a phase error makes of the other part.
CLEAR_OF_NOISE = 3.0
#: Standard uncertainty of the phase between the low tone and the sidebands' modulation: the
#: cartridge delays both nearly alike (our choice; 1 degree in the simulated cartridges).
PHASE_DEG = 1.5


def is_used(track: Track) -> bool:
    """Whether an angle can be read from a track: from two vertical tones on a known groove."""
    return (
        track.kind == "two_tone"
        and track.modulation == "vertical"
        and track.serves("intermodulation", "distortion")
        and track.velocity_cm_s is not None
        and track.radius_mm is not None
    )


def measure(context: CaptureContext) -> pa.Table:
    """Read the angle and the radius from each channel.

    Moving up, the stylus is ahead of the cutter, or behind it, by the height times the difference
    of the slants' tangents: the high tone's frequency then follows the low tone's velocity. The
    point of contact of a round tip moves along the groove with its slope: that modulates the
    frequency a quarter period ahead of the velocity, always in the same sense of up, which shows
    the sign of the angle whatever the polarity of the recording.
    """
    orders = terminals.by_channel(context.observations["orders"], context.chain)
    parts = [
        _rows(context, track, channel, orders)
        for track in filter(is_used, context.side.tracks)
        for channel in track.driven_channels
    ]
    return tables.concat(TABLE, parts)


def low_velocity_cm_s(track: Track, side: Side) -> float:
    """Return the peak velocity of the low tone along the modulation's axis."""
    low_hz = np.array([track.frequencies_hz[0]])
    law = 10.0 ** (terminals.recorded_deviation_db(track, low_hz, side) / 20.0)
    to_peak = np.sqrt(2.0) if track.velocity_measure == "rms" else 1.0
    ratio = float(track.ratio or 1.0)
    stated = float(track.velocity_cm_s or np.nan)
    return float(stated * to_peak * ratio / (1.0 + ratio) * law[0])


def played_angle_deg(cut_angle_deg: float, slope_difference: np.ndarray) -> np.ndarray:
    """Return the angle whose tangent differs by so much from that of the cut."""
    return np.asarray(np.degrees(np.arctan(np.tan(np.radians(cut_angle_deg)) + slope_difference)))


def _rows(
    context: CaptureContext, track: Track, channel: str, orders: dict[str, np.ndarray]
) -> pa.Table:
    side = context.side
    low_hz, high_hz = track.frequencies_hz
    found = modulated(orders, track, channel, 1, context.chain)
    along = found.fm.real
    across = found.fm.imag
    speed = float(groove_speed_cm_s(float(track.radius_mm or np.nan), side.rpm))
    velocity = low_velocity_cm_s(track, side)
    cut_deg = NOMINAL_CUT_DEG if side.vertical_angle_deg is None else side.vertical_angle_deg
    leak = np.sin(np.radians(PHASE_DEG))
    knows_up = np.abs(across) > CLEAR_OF_NOISE * (found.fm_noise + leak * np.abs(along))
    scale = speed / velocity
    slope = np.where(knows_up, -np.sign(across) * along * scale, np.nan)
    played_deg = played_angle_deg(cut_deg, slope)
    error_deg = played_deg - cut_deg
    # A degree of the angle for so much of its tangent.
    steep = np.degrees(1.0) * np.cos(np.radians(played_deg)) ** 2
    level = float(rectangular(10.0 ** (side.response_tolerance_db / 20.0) - 1.0))
    level_deg = steep * np.abs(slope) * level
    if side.vertical_angle_deg is None:
        other = played_angle_deg(cut_deg + CUT_TOLERANCE_DEG, slope) - cut_deg - CUT_TOLERANCE_DEG
        level_deg = np.hypot(level_deg, rectangular(np.abs(other - error_deg)))
    # In either wall the tip's radius meets the wall's own velocity.
    radius_um = 1e4 * np.abs(across) * speed**2 / (2.0 * np.pi * low_hz * velocity / np.sqrt(2.0))
    relative = np.hypot(level, (found.fm_noise + leak * np.abs(along)) / np.abs(across))
    return tables.build(
        TABLE,
        {
            "capture": context.capture,
            "track": track.track,
            "channel": channel,
            "low_hz": low_hz,
            "high_hz": high_hz,
            "groove_speed_cm_s": speed,
            "angle_error_deg": error_deg,
            "angle_deg": played_deg + (0.0 if side.vertical_angle_deg is not None else np.nan),
            "cut_angle_deg": cut_deg,
            "cut_angle_described": side.vertical_angle_deg is not None,
            "slope_difference": np.abs(along) * scale,
            "tracing_radius_um": np.where(knows_up, radius_um, np.nan),
            "angle_noise_deg": steep * found.fm_noise * scale,
            "angle_level_deg": level_deg,
            "angle_phase_deg": steep * leak * np.abs(across) * scale,
            "radius_uncertainty_um": np.where(knows_up, radius_um * relative, np.nan),
            "limited": ~found.is_clear,
        },
    )


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the mean angle of the channels, and the radius of each."""
    rows = measured.tables.get(TABLE.name)
    if rows is None:
        return
    for track in np.unique(rows["track"]):
        of_track = rows["track"] == track
        value, noise, level, phase = (
            float(np.mean(rows[name][of_track]))
            for name in ("angle_error_deg", "angle_noise_deg", "angle_level_deg", "angle_phase_deg")
        )
        limited = bool(np.any(rows["limited"][of_track]))
        parts = {"record": level, "phase": phase}
        yield Figure(
            "vertical_angle_error_deg",
            "vertical",
            int(track),
            value,
            noise / np.sqrt(2.0),
            limited,
            parts=parts,
        )
    for number, channel, one in groups(measured.tables, TABLE.name):
        yield Figure(
            "tracing_radius_um",
            channel,
            number,
            float(one["tracing_radius_um"][0]),
            float(one["radius_uncertainty_um"][0]),
            bool(one["limited"][0]),
        )


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="two vertical tones at once, with velocity_cm_s and radius_mm",
    metrics=(
        Metric(
            "vertical_angle_error_deg",
            "deg",
            "Vertical tracking angle less the record's",
            covariates=frozenset({Covariate.CHAIN, Covariate.RECORD, Covariate.TEMPERATURE}),
            least_change=1.0,
            is_signed=True,
        ),
        Metric(
            "tracing_radius_um",
            "um",
            "Tip radius along the groove, by tracing",
            least_share=0.1,
        ),
    ),
    figures=figures,
)
