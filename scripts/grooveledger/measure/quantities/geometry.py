"""What geometry alone makes of a tone's harmonics, beside what was measured."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure import terminals
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.curve_metrics import at_frequency
from grooveledger.measure.declaration import Measure, Metric
from grooveledger.measure.harmonics import Harmonics, harmonic_lines
from grooveledger.measure.metric_rows import Columns, Figure, Measured
from grooveledger.measure.readings import Readings, readings
from grooveledger.physics.groove import (
    curvature_radius_um,
    groove_speed_cm_s,
    rolling_ball_harmonics,
    tracking_angle_harmonics,
    tracking_angle_parameter,
    tracking_error_deg,
)
from grooveledger.plan import Cartridge, Chain, Track
from grooveledger.plan.uses import is_audio_band
from grooveledger.schemas.table import CAPTURE, CHANNEL, FREQUENCY, LIMITED, TRACK, Table, real
from grooveledger.storage import tables

TABLE = Table(
    "geometry",
    "measure",
    "Harmonics that groove, tip and arm make by their geometry, beside the measured ones.",
    ("capture", "track", "channel", "frequency_hz"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        FREQUENCY,
        real("groove_speed_cm_s", "cm/s", "nominal speed of the groove"),
        real("wall_velocity_cm_s", "cm/s", "peak velocity of the channel"),
        real("curvature_radius_um", "um", "least radius of curvature of the groove"),
        real("tip_radius_um", "um", "radius of the tip along the groove; null where not described"),
        real("tracing_h2_pct", "%", "second harmonic by tracing; null where the tip can't follow"),
        real("tracing_h3_pct", "%", "third harmonic by tracing"),
        real("tracking_error_deg", "deg", "lateral tracking error of the arm; null where unknown"),
        real("tracking_h2_pct", "%", "second harmonic by the tracking error"),
        real("geometry_h2_pct", "%", "second harmonic by what is known of both"),
        real("geometry_h3_pct", "%", "third harmonic by what is known of both"),
        real("measured_h2_pct", "%", "second harmonic measured; an upper bound where limited"),
        real("measured_h3_pct", "%", "third harmonic measured; a bound where noise_h3_pct is null"),
        real("left_h2_pct", "%", "least second harmonic that geometry does not explain"),
        real("left_h2_most_pct", "%", "most second harmonic that it does not explain"),
        real("left_h3_pct", "%", "least third harmonic that geometry does not explain"),
        real("left_h3_most_pct", "%", "most third harmonic that it does not explain"),
        real("noise_h2_pct", "%", "standard uncertainty of the second harmonic from noise"),
        LIMITED,
        real("noise_h3_pct", "%", "standard uncertainty of the third harmonic from noise"),
    ),
    revision=2,
)
AT_FREQUENCY = {"h2_beyond_geometry_1khz_pct": ("left_h2_pct", 1000.0)}
ORDERS = (2, 3)
#: Share of each channel in the lateral motion of a track, whose tangent the tracking error meets.
LATERAL_SHARE = {"lateral": 1.0, "vertical": 0.0, "left": np.sqrt(0.5), "right": np.sqrt(0.5)}


def is_used(track: Track) -> bool:
    """Whether geometry is worked out for a track: for tones on a known groove."""
    return (
        track.kind in ("tone", "tone_steps", "sweep")
        and is_audio_band(track, "distortion")
        and track.velocity_cm_s is not None
        and track.radius_mm is not None
    )


def measure(context: CaptureContext) -> pa.Table:
    """Work out tracing and tracking of every tone on a known groove, and what they leave.

    Tracing of a round tip makes a second harmonic a quarter period from that of a tracking error:
    together they are the root of the sum of squares. What the cartridge and the cut add has a phase
    of its own, so that what is left lies between difference and sum.
    """
    orders = terminals.by_channel(context.observations["orders"], context.chain)
    lines = harmonic_lines(orders)
    parts = [
        _rows(context, track, channel, readings(orders, track.track, channel, lines))
        for track in filter(is_used, context.side.tracks)
        for channel in track.driven_channels
    ]
    return tables.concat(TABLE, parts)


def tip_radius_um(cartridge: Cartridge) -> float:
    """Return the radius along the groove: the smaller of a described tip's; NaN for none."""
    return min(cartridge.tip_radii_um, default=float("nan"))


def arm_error_deg(chain: Chain, radius_mm: float) -> float:
    """Return the lateral tracking error at a radius; NaN where the arm is not described."""
    length, overhang, offset = chain.arm_length_mm, chain.arm_overhang_mm, chain.arm_offset_deg
    if length is None or overhang is None or offset is None:
        return float("nan")
    return float(tracking_error_deg(radius_mm, length, overhang, offset))


def _rows(context: CaptureContext, track: Track, channel: str, read: Readings) -> pa.Table:
    side = context.side
    radius_mm = float(track.radius_mm or np.nan)
    speed = float(groove_speed_cm_s(radius_mm, side.rpm))
    hz = read.nominal_hz
    wall = np.sqrt(2.0) * terminals.channel_velocity_rms_cm_s(track, hz, side)
    tip_um = tip_radius_um(context.cartridge)
    pairs = [_tracing(f, v, speed, tip_um) for f, v in zip(hz, wall, strict=True)]
    tracing = np.array(pairs, float).reshape(-1, len(ORDERS))
    error_deg = arm_error_deg(context.chain, radius_mm)
    # Of a lateral track the motion is that of both channels together.
    lateral = wall * (np.sqrt(2.0) if track.modulation == "lateral" else 1.0)
    lateral = lateral * LATERAL_SHARE[str(track.modulation)]
    parameter = tracking_angle_parameter(lateral, speed, error_deg)
    tracking = np.where(
        np.isnan(parameter)[:, np.newaxis], np.nan, tracking_angle_harmonics(parameter, ORDERS)
    )
    known = np.isfinite(tracing) | np.isfinite(tracking)
    total = np.where(known, np.hypot(np.nan_to_num(tracing), np.nan_to_num(tracking)), np.nan)
    found = Harmonics(read, context.chain)
    measured = found.single[:, : len(ORDERS)]
    columns = {
        "groove_speed_cm_s": speed,
        "wall_velocity_cm_s": wall,
        "curvature_radius_um": curvature_radius_um(hz, wall, speed),
        "tip_radius_um": tip_um,
        "tracking_error_deg": error_deg,
        "tracking_h2_pct": 100.0 * tracking[:, 0],
        "noise_h2_pct": 100.0 * found.single_noise[:, 0],
        "noise_h3_pct": 100.0 * found.single_noise[:, 1],
    }
    for place, order in enumerate(ORDERS):
        columns |= {
            f"tracing_h{order}_pct": 100.0 * tracing[:, place],
            f"geometry_h{order}_pct": 100.0 * total[:, place],
            f"measured_h{order}_pct": 100.0 * measured[:, place],
            f"left_h{order}_pct": 100.0 * np.abs(measured[:, place] - total[:, place]),
            f"left_h{order}_most_pct": 100.0 * (measured[:, place] + total[:, place]),
        }
    limited = np.isnan(found.single_noise[:, 0])
    # A bound on what was measured leaves no least remainder to state.
    for place, order in enumerate(ORDERS):
        is_bound = np.isnan(found.single_noise[:, place])
        columns[f"left_h{order}_pct"] = np.where(is_bound, np.nan, columns[f"left_h{order}_pct"])
    return tables.build(
        TABLE,
        {
            "capture": context.capture,
            "track": track.track,
            "channel": channel,
            "frequency_hz": read.played_hz if track.kind == "sweep" else hz,
            **columns,
            "limited": limited,
        },
    )


def _tracing(
    frequency_hz: float, wall_velocity_cm_s: float, speed: float, tip_um: float
) -> tuple[float, float]:
    """Return the second and third harmonic of a rolling ball.

    NaN where it can't follow the groove.
    """
    bend_um = float(curvature_radius_um(frequency_hz, wall_velocity_cm_s, speed))
    if not tip_um < bend_um:
        return float("nan"), float("nan")
    second, third = np.abs(
        rolling_ball_harmonics(frequency_hz, wall_velocity_cm_s, speed, tip_um, ORDERS)
    )
    return float(second), float(third)


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the least second harmonic at 1 kHz that geometry does not explain."""

    def parts_pct(rows: Columns, _: str) -> dict[str, np.ndarray]:
        return {"noise": rows["noise_h2_pct"]}

    yield from at_frequency(measured, TABLE.name, AT_FREQUENCY, parts_pct)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="a tone, stepped tones or a sweep with velocity_cm_s and radius_mm",
    metrics=(
        Metric(
            "h2_beyond_geometry_1khz_pct",
            "%",
            "Second harmonic at 1 kHz beyond geometry's",
            repeatability=0.15,
            least_share=0.2,
        ),
    ),
    figures=figures,
)
