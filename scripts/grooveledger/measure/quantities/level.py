"""Output of tones at the cartridge's terminals, sensitivity, and phase between the channels."""

from collections.abc import Iterator, Mapping

import numpy as np
import pyarrow as pa

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import NOT_PLAYS, Measure, Metric
from grooveledger.measure.fundamentals import fundamental, wrapped_deg
from grooveledger.measure.metric_rows import (
    DB_PER_NEPER,
    Columns,
    Figure,
    Measured,
    groups,
)
from grooveledger.measure.terminals import channel_velocity_rms_cm_s, output_mv
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.groove import rms_velocity_cm_s
from grooveledger.physics.uncertainty import combine, noise_level_db, tolerance_db
from grooveledger.plan import Side, Track
from grooveledger.schemas.table import (
    CAPTURE,
    CHANNEL,
    FREQUENCY,
    LIMITED,
    PLAYED,
    TRACK,
    Table,
    real,
)
from grooveledger.storage import tables

TABLE = Table(
    "level",
    "measure",
    "Output of tones at the cartridge's terminals.",
    ("capture", "track", "channel"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        FREQUENCY,
        real("output_mv", "mV", "rms at the terminals, at the track's nominal velocity"),
        real("sensitivity_mv_per_cm_s", "mV s/cm", "rms output per rms channel velocity"),
        real("interchannel_phase_deg", "deg", "right minus left; null unless both are driven"),
        PLAYED,
        real("uncertainty_db", "dB", "standard uncertainty of the output"),
        LIMITED,
    ),
)
#: Rated velocity where the data sheet gives none, cm/s peak of the channel (common practice).
USUAL_VELOCITY_CM_S, USUAL_VELOCITY_MEASURE = 5.0, "peak"
#: Tones that tell the output: records have their level bands from 300 Hz to 1 kHz, where cartridges
#: are flat (common practice). Of those a capture has, the ones nearest to 1 kHz count.
LEVEL_BAND_HZ = (299.0, 1101.0)


def is_used(track: Track) -> bool:
    """Whether the level of a track is measured: of every tone that serves it."""
    return track.kind == "tone" and track.serves("level")


def measure(context: CaptureContext) -> pa.Table:
    """Measure the level of every tone.

    Output is at the track's nominal velocity: a platter that runs fast raises velocity and
    frequency together, so the output is divided by played over nominal frequency. Where noise hides
    the tone, output and sensitivity are upper bounds (95 %).

    Returns
    -------
    pyarrow.Table
        `TABLE`.
    """
    tolerances_db = tolerance_db(
        context.side.response_tolerance_db, context.chain.response_tolerance_db
    )
    parts = []
    for track in filter(is_used, context.side.tracks):
        found = fundamental(context, track)
        if found is None:
            continue
        speed = found.played_hz / found.nominal_hz
        both = len(track.driven_channels) == 2
        phase_deg = wrapped_deg(found.phase_deg["right"] - found.phase_deg["left"])
        velocity = channel_velocity_rms_cm_s(track, found.nominal_hz, context.side)
        for channel in track.driven_channels:
            output = output_mv(found.amplitude[channel], found.played_hz, context.chain) / speed
            noise_db = noise_level_db(found.noise_to_signal(channel))
            parts.append(
                tables.build(
                    TABLE,
                    {
                        "capture": context.capture,
                        "track": track.track,
                        "channel": channel,
                        "frequency_hz": found.nominal_hz,
                        "output_mv": output,
                        "sensitivity_mv_per_cm_s": output / velocity,
                        "interchannel_phase_deg": phase_deg if both else None,
                        "played_hz": found.played_hz,
                        "uncertainty_db": np.hypot(tolerances_db, noise_db),
                        "limited": found.limited[channel],
                    },
                )
            )
    return tables.concat(TABLE, parts)


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield output, phase and balance of the tones nearest to 1 kHz."""
    side = measured.side
    rated = measured.cartridge.rated or {}
    rated_rms_cm_s = rms_velocity_cm_s(
        float(rated.get("output_velocity_cm_s") or USUAL_VELOCITY_CM_S),
        rated.get("output_velocity_measure") or USUAL_VELOCITY_MEASURE,
    )
    tones: dict[int, dict[str, dict[str, np.ndarray]]] = {}
    for track, channel, rows in groups(measured.tables, "level"):
        tones.setdefault(track, {})[channel] = rows
    for track in _level_tracks(tones):
        for channel, rows in tones[track].items():
            value = float(rows["sensitivity_mv_per_cm_s"][0]) * rated_rms_cm_s
            spread = float(rows["uncertainty_db"][0]) / DB_PER_NEPER
            yield Figure(
                "output_mv", channel, track, value, value * spread, bool(rows["limited"][0])
            )
        if side.track(track).modulation == "lateral" and len(tones[track]) == 2:
            phase_deg = float(tones[track]["right"]["interchannel_phase_deg"][0])
            yield Figure("interchannel_phase_deg", "both", track, phase_deg)
    yield from _balance(tones, side)


def _level_tracks(tones: Mapping[int, Mapping[str, Columns]]) -> list[int]:
    """Tracks whose tone tells the output: those nearest to 1 kHz of the level band."""
    away = {}
    for track, channels in tones.items():
        frequency_hz = float(next(iter(channels.values()))["frequency_hz"][0])
        if LEVEL_BAND_HZ[0] < frequency_hz < LEVEL_BAND_HZ[1]:
            away[track] = abs(np.log(frequency_hz / REFERENCE_HZ))
    return [track for track, octaves in away.items() if octaves == min(away.values())]


def _balance(
    tones: Mapping[int, Mapping[str, dict[str, np.ndarray]]], side: Side
) -> Iterator[Figure]:
    """Right over left: of each track that drives both, and of each pair that drives them in turn.

    A pair's figure carries the track of its first tone.
    """
    tracks = sorted(_level_tracks(tones), key=side.position)
    pairs = [(track, track) for track in tracks if len(tones[track]) == 2]
    left = [track for track in tracks if set(tones[track]) == {"left"}]
    right = [track for track in tracks if set(tones[track]) == {"right"}]
    pairs += list(zip(left, right, strict=False))
    for left_track, right_track in pairs:
        rows = {"left": tones[left_track]["left"], "right": tones[right_track]["right"]}
        sensitivity = {c: float(r["sensitivity_mv_per_cm_s"][0]) for c, r in rows.items()}
        audible = all(value > 0.0 for value in sensitivity.values())
        balance_db = (
            20.0 * np.log10(sensitivity["right"] / sensitivity["left"]) if audible else np.nan
        )
        uncertainty_db = combine(*(float(r["uncertainty_db"][0]) for r in rows.values()))
        yield Figure(
            "balance_db",
            "both",
            min(left_track, right_track, key=side.position),
            float(balance_db),
            float(uncertainty_db),
            any(bool(r["limited"][0]) for r in rows.values()),
        )


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_used,
    needs="a steady tone whose velocity is known",
    metrics=(
        Metric(
            "output_mv",
            "mV",
            "Output at the rated velocity",
            covariates=NOT_PLAYS,
            limit={"falls_to_factor": 0.8},
        ),
        Metric(
            "balance_db",
            "dB",
            "Balance, right relative to left",
            covariates=NOT_PLAYS,
            limit={"changes_by": 2.0},
        ),
        Metric(
            "interchannel_phase_deg",
            "deg",
            "Phase, right relative to left",
            covariates=NOT_PLAYS,
        ),
    ),
    figures=figures,
)
