"""Output of tones at the cartridge's terminals, sensitivity, and phase between the channels."""

from collections.abc import Iterator, Mapping

import numpy as np
import pyarrow as pa

from grooveledger.measure.budget import (
    DB_PER_NEPER,
    balance_parts_db,
    level_parts_db,
)
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import NOT_PLAYS, Measure, Metric
from grooveledger.measure.metric_rows import Columns, Figure, Measured, groups
from grooveledger.measure.rated_output import rated_velocity_rms_cm_s
from grooveledger.measure.tone_levels import LEVEL_BAND_HZ, is_level_tone, tone_levels
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.uncertainty import combine
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
        real(
            "interchannel_phase_deg",
            "deg",
            "right minus left; null unless both are driven and stand clear of the noise",
        ),
        PLAYED,
        real("uncertainty_db", "dB", "standard uncertainty of the output"),
        LIMITED,
        real("noise_db", "dB", "its part from noise alone"),
        real("phase_noise_deg", "deg", "standard uncertainty of the phase from noise alone"),
    ),
    revision=2,
)


def measure(context: CaptureContext) -> pa.Table:
    """Measure the level of every tone.

    Output is at the track's nominal velocity. Where noise hides the tone, output and sensitivity
    are upper bounds (95 %).

    Returns
    -------
    pyarrow.Table
        `TABLE`.
    """
    parts = []
    for tone in tone_levels(context):
        known = level_parts_db(context.side, context.chain, float(tone.nominal_hz[0]))
        parts.append(
            tables.build(
                TABLE,
                {
                    "capture": context.capture,
                    "track": tone.track.track,
                    "channel": tone.channel,
                    "frequency_hz": tone.nominal_hz,
                    "output_mv": tone.output_mv,
                    "sensitivity_mv_per_cm_s": tone.sensitivity_mv_per_cm_s,
                    "interchannel_phase_deg": tone.interchannel_phase_deg,
                    "played_hz": tone.played_hz,
                    "uncertainty_db": combine(tone.noise_db, *known.values()),
                    "limited": tone.limited,
                    "noise_db": tone.noise_db,
                    "phase_noise_deg": tone.phase_noise_deg,
                },
            )
        )
    return tables.concat(TABLE, parts)


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield output, phase and balance of the tones nearest to 1 kHz."""
    side, chain = measured.side, measured.chain
    velocity_rms_cm_s = rated_velocity_rms_cm_s(measured.cartridge.rated)
    tones: dict[int, dict[str, dict[str, np.ndarray]]] = {}
    for track, channel, rows in groups(measured.tables, "level"):
        tones.setdefault(track, {})[channel] = rows
    for track in _level_tracks(tones):
        for channel, rows in tones[track].items():
            value = float(rows["sensitivity_mv_per_cm_s"][0]) * velocity_rms_cm_s
            known_db = level_parts_db(side, chain, float(rows["frequency_hz"][0]))
            yield Figure(
                "output_mv",
                channel,
                track,
                value,
                value * float(rows["noise_db"][0]) / DB_PER_NEPER,
                bool(rows["limited"][0]),
                parts={name: value * u_db / DB_PER_NEPER for name, u_db in known_db.items()},
            )
        if side.track(track).modulation == "lateral" and len(tones[track]) == 2:
            right = tones[track]["right"]
            phase_deg = float(right["interchannel_phase_deg"][0])
            noise_deg = float(right["phase_noise_deg"][0])
            if np.isfinite(phase_deg):
                yield Figure("interchannel_phase_deg", "both", track, phase_deg, noise_deg)
    yield from _balance(tones, measured)


def _level_tracks(tones: Mapping[int, Mapping[str, Columns]]) -> list[int]:
    """Return the tracks whose tone represents the output.

    Those nearest to 1 kHz of the level band.
    """
    away = {}
    for track, channels in tones.items():
        frequency_hz = float(next(iter(channels.values()))["frequency_hz"][0])
        if LEVEL_BAND_HZ[0] < frequency_hz < LEVEL_BAND_HZ[1]:
            away[track] = abs(np.log(frequency_hz / REFERENCE_HZ))
    return [track for track, octaves in away.items() if octaves == min(away.values())]


def _balance(
    tones: Mapping[int, Mapping[str, dict[str, np.ndarray]]], measured: Measured
) -> Iterator[Figure]:
    """Yield right over left of each track that drives both, and of each pair that does in turn.

    A pair's figure carries the track of its first tone.
    """
    position = measured.side.position
    tracks = sorted(_level_tracks(tones), key=position)
    pairs = [(track, track) for track in tracks if len(tones[track]) == 2]
    left = [track for track in tracks if set(tones[track]) == {"left"}]
    right = [track for track in tracks if set(tones[track]) == {"right"}]
    pairs += list(zip(left, right, strict=False))
    for left_track, right_track in pairs:
        rows = {"left": tones[left_track]["left"], "right": tones[right_track]["right"]}
        sensitivity = {c: float(r["sensitivity_mv_per_cm_s"][0]) for c, r in rows.items()}
        balance_db = np.nan
        if all(value > 0.0 for value in sensitivity.values()):
            balance_db = 20.0 * np.log10(sensitivity["right"] / sensitivity["left"])
        yield Figure(
            "balance_db",
            "both",
            min(left_track, right_track, key=position),
            float(balance_db),
            float(combine(*(float(r["noise_db"][0]) for r in rows.values()))),
            any(bool(r["limited"][0]) for r in rows.values()),
            parts=balance_parts_db(measured.side, measured.chain, left_track == right_track),
        )


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_level_tone,
    needs="a steady tone whose velocity is known",
    metrics=(
        Metric(
            "output_mv",
            "mV",
            "Output at the rated velocity",
            repeatability=0.02,
            covariates=NOT_PLAYS,
            limit={"falls_to_factor": 0.8},
            least_share=0.03,
        ),
        Metric(
            "balance_db",
            "dB",
            "Balance, right relative to left",
            repeatability=0.1,
            covariates=NOT_PLAYS,
            limit={"changes_by": 2.0},
            least_change=0.3,
        ),
        Metric(
            "interchannel_phase_deg",
            "deg",
            "Phase, right relative to left",
            covariates=NOT_PLAYS,
            least_change=5.0,
        ),
    ),
    figures=figures,
)
