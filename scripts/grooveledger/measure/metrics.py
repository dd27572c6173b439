"""Scalar figures of a capture, read from its measures: what drifts, what a data sheet rates.

Each family of figures is a small function from the columns of measures to `Figure` rows; `UNITS`
names every figure there is.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np

from grooveledger.measure.curve_metrics import (
    AT_FREQUENCY,
    at_frequency,
    least_separation,
    response_shape,
)
from grooveledger.measure.metric_rows import DB_PER_NEPER, IN_PHASE, Columns, Figure, groups
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.groove import rms_velocity_cm_s
from grooveledger.physics.uncertainty import combine
from grooveledger.plan import Cartridge, Side

#: Rated velocity where the data sheet gives none, cm/s peak of the channel (common practice).
USUAL_VELOCITY_CM_S, USUAL_VELOCITY_MEASURE = 5.0, "peak"
#: Tones that tell the output: records have their level bands from 300 Hz to 1 kHz, where cartridges
#: are flat (common practice). Of those a capture has, the ones nearest to 1 kHz count.
LEVEL_BAND_HZ = (299.0, 1101.0)

#: Figures that stand in a table as they are: metric -> table (the column has the metric's name).
AS_THEY_ARE: dict[str, str] = {
    "imd_pct": "intermodulation",
    "speed_error_pct": "speed",
    "wow_flutter_weighted_pct": "speed",
    "wow_flutter_unweighted_pct": "speed",
    "rumble_unweighted_db": "noise",
    "rumble_weighted_db": "noise",
    "hum_db": "noise",
    "noise_a_db": "noise",
    "ticks_per_min": "noise",
}
#: The column that says whether such a figure is a bound.
LIMITED_BY = {"imd_pct": "limited", "hum_db": "hum_limited"}
#: Every figure and its unit.
UNITS: dict[str, str] = {
    "output_mv": "mV",
    "balance_db": "dB",
    "interchannel_phase_deg": "deg",
    "response_peak_db": "dB",
    "response_peak_hz": "Hz",
    "response_deviation_db": "dB",
    "upper_limit_hz": "Hz",
    "separation_min_db": "dB",
    "ticks_per_min": "1/min",
    "resonance_lateral_hz": "Hz",
    "resonance_vertical_hz": "Hz",
    "dynamic_compliance_um_per_mn": "um/mN",
    "tracked_amplitude_um": "um",
    **{
        metric: "%" if metric.endswith("_pct") else "dB"
        for metric in (*AT_FREQUENCY, *AS_THEY_ARE)
        if metric != "ticks_per_min"
    },
}


def capture_metrics(
    measures: Mapping[str, Columns],
    side: Side,
    cartridge: Cartridge,
    settings: Mapping[str, Any],
) -> dict[str, Any]:
    """Derive every scalar figure of a capture.

    Parameters
    ----------
    measures : mapping
        Columns of each measure's table of the capture, by the table's name; tables that the capture
        has not got are left out.
    side, cartridge
        What was played and with what.
    settings : mapping
        `smoothing_octaves`: width over which curves are averaged before they are read.

    Returns
    -------
    dict
        Columns metric, channel, track, value, unit, uncertainty (standard), limited, order_max and
        track_position, sorted by metric, channel and track_position. One row for each track that
        gives a figure; where no track gives it though one might have, a single row without a value.
    """
    octaves = float(settings.get("smoothing_octaves", 0.0))
    kept = _kept(
        [
            *_level(measures, side, cartridge),
            *at_frequency(measures, octaves),
            *response_shape(measures, octaves),
            *least_separation(measures, octaves),
            *_as_they_are(measures),
            *_resonance(measures),
            *_tracking_ability(measures),
        ],
        side,
    )
    columns: dict[str, Any] = {
        name: [getattr(figure, name) for figure in kept] for name in Figure._fields
    }
    columns["unit"] = [UNITS[figure.metric] for figure in kept]
    columns["track_position"] = [side.position(figure.track) for figure in kept]
    return columns


def _kept(figures: Iterable[Figure], side: Side) -> list[Figure]:
    """Figures sorted, bounds without uncertainty, one null at most of a metric and channel."""
    ordered = sorted(figures, key=lambda f: (f.metric, f.channel, side.position(f.track)))
    valued = {(f.metric, f.channel) for f in ordered if f.value == f.value}
    kept, told = [], set()
    for figure in ordered:
        key = (figure.metric, figure.channel)
        if figure.value != figure.value:
            if key in valued or key in told:
                continue
            told.add(key)
        kept.append(figure._replace(uncertainty=np.nan) if figure.limited else figure)
    return kept


def _level(measures: Mapping[str, Columns], side: Side, cartridge: Cartridge) -> Iterator[Figure]:
    rated = cartridge.rated or {}
    rated_rms_cm_s = rms_velocity_cm_s(
        float(rated.get("output_velocity_cm_s") or USUAL_VELOCITY_CM_S),
        rated.get("output_velocity_measure") or USUAL_VELOCITY_MEASURE,
    )
    tones: dict[int, dict[str, dict[str, np.ndarray]]] = {}
    for track, channel, rows in groups(measures, "level"):
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


def _as_they_are(measures: Mapping[str, Columns]) -> Iterator[Figure]:
    for table in ("intermodulation", "speed", "noise"):
        metrics = [metric for metric, source in AS_THEY_ARE.items() if source == table]
        for track, channel, rows in groups(measures, table):
            noise = IN_PHASE * float(rows["floor_pct"][0]) if "floor_pct" in rows else np.nan
            for metric in metrics:
                bound = LIMITED_BY.get(metric)
                limited = bool(rows[bound][0]) if bound else False
                yield Figure(metric, channel, track, float(rows[metric][0]), noise, limited)


def _resonance(measures: Mapping[str, Columns]) -> Iterator[Figure]:
    for track, axis, rows in groups(measures, "resonance_fit", by="axis"):
        resonance_hz = float(rows["resonance_hz"][0])
        spread_hz = float(rows["resonance_uncertainty_hz"][0])
        compliance = float(rows["dynamic_compliance_um_per_mn"][0])
        yield Figure(f"resonance_{axis}_hz", axis, track, resonance_hz, spread_hz)
        # The compliance goes with the inverse square of the resonance.
        spread = 2.0 * compliance * spread_hz / resonance_hz
        yield Figure("dynamic_compliance_um_per_mn", axis, track, compliance, spread)


def _tracking_ability(measures: Mapping[str, Columns]) -> Iterator[Figure]:
    for track, channel, rows in groups(measures, "tracking_ability"):
        rising = np.argsort(rows["amplitude_um"], kind="stable")
        stated = rising[~np.isnan(rows["thd_pct"][rising])]
        tracked = rows["amplitude_um"][stated][~rows["mistracking"][stated]]
        value = float(tracked[-1]) if len(tracked) else np.nan
        # Nothing was lost: the stylus tracks at least the largest step.
        at_least = bool(len(tracked)) and not bool(rows["mistracking"].any())
        yield Figure("tracked_amplitude_um", channel, track, value, limited=at_least)
