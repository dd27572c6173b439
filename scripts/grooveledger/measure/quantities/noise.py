"""Rumble, hum, surface noise and ticks of silent grooves, relative to a reference velocity."""

from collections.abc import Iterator, Mapping

import numpy as np
import pyarrow as pa

from grooveledger.measure.budget import noise_parts_db
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Covariate, Group, Measure, Metric
from grooveledger.measure.hum import hum
from grooveledger.measure.metric_rows import Figure, Measured, groups
from grooveledger.measure.sensitivity import CHANNELS, sensitivity_mv_per_cm_s
from grooveledger.measure.terminals import by_channel, output_mv
from grooveledger.physics.equalisation import replay_response
from grooveledger.physics.groove import rms_velocity_cm_s
from grooveledger.physics.weighting import (
    RUMBLE_NETWORK_STATUS,
    a_weighting_db,
    rumble_weighting_db,
    weighting_468_db,
)
from grooveledger.plan import Chain
from grooveledger.plan.uses import is_noise_groove
from grooveledger.schemas.table import CAPTURE, TRACK, TRUTH, Column, Table, real, text
from grooveledger.storage import tables

TABLE = Table(
    "noise",
    "measure",
    "Rumble, hum and surface noise of a silent groove.",
    ("capture", "track", "channel"),
    (
        CAPTURE,
        TRACK,
        text("channel", "left, right, lateral or vertical"),
        real("rumble_unweighted_db", "dB", "relative to the reference velocity"),
        real("rumble_weighted_db", "dB", "relative to the reference velocity"),
        real(
            "hum_db",
            "dB",
            "mains frequency and harmonics up to 10, relative to the reference velocity",
        ),
        real("noise_a_db", "dB", "A-weighted, relative to the reference velocity"),
        real(
            "noise_468_db",
            "dB",
            "468-weighted, quasi-peak, ticks bridged, relative to the reference velocity",
        ),
        real("ticks_per_min", "1/min", "ticks counted"),
        real("reference_velocity_cm_s", "cm/s", "rms per channel at 1 kHz"),
        text("rumble_network", "whether the rumble networks' numbers are verified or from memory"),
        real("seconds", "s", "length analysed"),
        text("sensitivity_from", "measured (level tones of the capture) or rated (data sheet)"),
        Column("hum_limited", TRUTH, "", "true where hum_db is an upper bound"),
        real("rumble_unweighted_standard_db", "dB", "relative to 10 cm/s peak at 1 kHz"),
        real("rumble_weighted_standard_db", "dB", "relative to 10 cm/s peak at 1 kHz"),
        real("signal_to_noise_a_db", "dB", "10 cm/s peak at 1 kHz over the A-weighted noise"),
        real("sensitivity_hz", "Hz", "frequency of the level tones; null where rated"),
        real("noise_468_rms_db", "dB", "468-weighted rms, relative to the reference velocity"),
        real("noise_a_with_ticks_db", "dB", "A-weighted rms with ticks"),
        real("noise_468_with_ticks_db", "dB", "468-weighted, quasi-peak, mean reading with ticks"),
        real("noise_468_highest_db", "dB", "468-weighted, quasi-peak, highest reading with ticks"),
    ),
    revision=3,
)
CHAIN_AND_RECORD = frozenset({Covariate.CHAIN, Covariate.RECORD})

#: Noise is added up from here, Hz: below lies warp, and the offset of the converter.
LOWEST_HZ = 1.0
#: Surface noise is added up to here, Hz, whatever the sampling rate: the audio band.
HIGHEST_HZ = 20_000.0
#: Reference of rumble, cm/s peak along the modulation at 1 kHz: DIN 45539, as a leaflet of a
#: DIN 45544 record states it (engraved there as 5.42 cm/s at 315 Hz in each of the four
#: directions; the replay curve of IEC 60098 gives 5.51 cm/s, 0.14 dB more).
STANDARD_PEAK_CM_S = 10.0


def measure(context: CaptureContext) -> pa.Table:
    """Measure the noise of every silent groove that was analysed.

    The density as heard goes back to the cartridge's terminals, then through the ideal replay
    equalisation, and is compared with the output at the reference velocity. Lateral and vertical
    are (L + R) / sqrt 2 and (L - R) / sqrt 2 of the channels, each over its own sensitivity.
    What was read as quasi-peak, or with ticks, is stated by `metered_figures`. Settings:
    `reference_velocity_cm_s`, `mains_hz`.

    Returns
    -------
    pyarrow.Table
        `TABLE`; levels are null where no sensitivity is known.
    """
    columns = by_channel(context.observations["noise_density"], context.chain)
    sensitivity, source, sensitivity_hz = sensitivity_mv_per_cm_s(context)
    reference_cm_s = float(context.settings["reference_velocity_cm_s"])
    mains_hz = float(context.settings["mains_hz"])
    parts = []
    for track in filter(is_noise_groove, context.side.tracks):
        of_track = columns["track"] == track.track
        if not of_track.any():
            continue
        rows = {
            name: {
                key: column[of_track & (columns["channel"] == name)]
                for key, column in columns.items()
            }
            for name in (*CHANNELS, "sum", "difference")
        }
        left = rows["left"]
        seconds = float(left["seconds"][0])
        shared = {
            "capture": context.capture,
            "track": track.track,
            "ticks_per_min": 60.0 * float(left["ticks"][0]) / seconds,
            "reference_velocity_cm_s": reference_cm_s,
            "rumble_network": RUMBLE_NETWORK_STATUS,
            "seconds": seconds,
            "sensitivity_from": source,
            "sensitivity_hz": sensitivity_hz,
        }
        frequency_hz, width_hz = left["frequency_hz"], left["bandwidth_hz"]
        densities = velocity_densities(
            {name: row["density_fs2_per_hz"] for name, row in rows.items()},
            frequency_hz,
            context.chain,
            sensitivity,
        )
        for channel, density in densities.items():
            figures = noise_figures(
                density / reference_cm_s**2, frequency_hz, width_hz, seconds, mains_hz
            )
            figures |= standard_figures(figures, reference_cm_s)
            figures |= metered_figures(figures, _read_level(context, track.track, channel))
            parts.append(tables.build(TABLE, {**shared, "channel": channel, **figures}))
    return tables.concat(TABLE, parts)


def standard_figures(
    figures: Mapping[str, float | bool], reference_cm_s: float
) -> dict[str, float]:
    """Return rumble and signal-to-noise ratio relative to the standard's reference.

    Parameters
    ----------
    figures : mapping
        See `noise_figures`.
    reference_cm_s : float
        What they are relative to, cm/s rms.

    Returns
    -------
    dict
        By the column's name in `TABLE`.
    """
    shift_db = 20.0 * np.log10(reference_cm_s / rms_velocity_cm_s(STANDARD_PEAK_CM_S, "peak"))
    return {
        "rumble_unweighted_standard_db": figures["rumble_unweighted_db"] + shift_db,
        "rumble_weighted_standard_db": figures["rumble_weighted_db"] + shift_db,
        "signal_to_noise_a_db": -(figures["noise_a_db"] + shift_db),
    }


def _read_level(context: CaptureContext, track: int, channel: str) -> dict[str, float]:
    """Return the levels that were read of one channel of a groove; empty where none were.

    They are read at the file's channels: lateral and vertical are the sum and the difference there,
    or the other way round where one channel is inverted.
    """
    levels = by_channel(context.observations["noise_level"], context.chain)
    axes = ("difference", "sum") if len(context.chain.invert) == 1 else ("sum", "difference")
    file_channel = dict(zip(("lateral", "vertical"), axes, strict=True)).get(channel, channel)
    # What the preamplifier has not equalised is read through the ideal curve.
    curve = "iec98" if context.chain.equalisation == "flat" else "flat"
    chosen = (
        (levels["track"] == track)
        & (levels["channel"] == file_channel)
        & (levels["equalisation"] == curve)
    )
    rows = np.flatnonzero(chosen)
    names = [name for name in levels if name.endswith("_fs")]
    return {name: float(levels[name][rows[0]]) for name in names} if len(rows) else {}


def metered_figures(
    figures: Mapping[str, float | bool], level_fs: Mapping[str, float]
) -> dict[str, float]:
    """Return the levels that only the sound itself gives: quasi-peak ones and those with ticks.

    Each lies as far above the rms level away from ticks as it was read above it: gain, sensitivity
    and the preamplifier's deviation are in that level already.

    Parameters
    ----------
    figures : mapping
        See `noise_figures`.
    level_fs : mapping
        The levels as read, `schemas.observe.NOISE_LEVEL`.

    Returns
    -------
    dict
        By the column's name in `TABLE`; null where nothing was read.
    """
    stated = {
        "noise_468_db": ("noise_468_rms_db", "quasi_peak_468_fs", "weighted_468_fs"),
        "noise_468_with_ticks_db": (
            "noise_468_rms_db",
            "quasi_peak_468_with_ticks_fs",
            "weighted_468_fs",
        ),
        "noise_468_highest_db": (
            "noise_468_rms_db",
            "quasi_peak_468_highest_fs",
            "weighted_468_fs",
        ),
        "noise_a_with_ticks_db": ("noise_a_db", "a_with_ticks_fs", "a_fs"),
    }
    result = {}
    for name, (level_db, read, base) in stated.items():
        above = level_fs.get(read, np.nan) / (level_fs.get(base, np.nan) or np.nan)
        result[name] = float(figures[level_db]) + 2.0 * _db(above)
    return result


def velocity_densities(
    density_fs2_per_hz: Mapping[str, np.ndarray],
    frequency_hz: np.ndarray,
    chain: Chain,
    sensitivity: Mapping[str, float],
) -> dict[str, np.ndarray]:
    """Return densities after the ideal replay equalisation, as the 1 kHz velocity of equal output.

    Parameters
    ----------
    density_fs2_per_hz : mapping
        Of left, right (as the cartridge has them), sum and difference.
    frequency_hz : ndarray
        Centres of the bands.
    sensitivity : mapping
        Rms mV per rms cm/s, by channel.

    Returns
    -------
    dict
        (cm/s rms)^2 a hertz by channel: left, right, lateral, vertical. NaN where the sensitivity
        is; 0 in the band at 0 Hz.
    """
    heard_hz = np.maximum(frequency_hz, LOWEST_HZ)
    # A density is a mean square; a sine of that mean square has sqrt 2 of its root as peak.
    mv_per_fs = output_mv(np.full(len(heard_hz), np.sqrt(2.0)), heard_hz, chain)
    gain = (mv_per_fs * np.abs(replay_response(heard_hz, "iec98"))) ** 2
    gain = np.where(frequency_hz >= LOWEST_HZ, gain, 0.0)
    left, right, whole, differing = (
        density_fs2_per_hz[name] * gain for name in ("left", "right", "sum", "difference")
    )
    # What the channels have in common: the mean of left times right, known from sum and difference.
    common = 0.5 * (whole - differing)
    if len(chain.invert) == 1:
        common = -common
    left = left / sensitivity["left"] ** 2
    right = right / sensitivity["right"] ** 2
    common = common / (sensitivity["left"] * sensitivity["right"])
    return {
        "left": left,
        "right": right,
        "lateral": np.maximum(0.5 * (left + right) + common, 0.0),
        "vertical": np.maximum(0.5 * (left + right) - common, 0.0),
    }


def noise_figures(
    density_per_hz: np.ndarray,
    frequency_hz: np.ndarray,
    width_hz: np.ndarray,
    seconds: float,
    mains_hz: float,
) -> dict[str, float | bool]:
    """Return the levels of one channel.

    Parameters
    ----------
    density_per_hz : ndarray
        Power relative to the reference velocity's, a hertz, after the replay equalisation.
    frequency_hz, width_hz : ndarray
        Centres and widths of the bands.
    seconds : float
        Length of the groove.

    Returns
    -------
    dict
        By the column's name in `TABLE`.
    """
    power = density_per_hz * width_hz
    audible = np.where(frequency_hz <= HIGHEST_HZ, power, 0.0)
    hum_power, hum_limited = hum(density_per_hz, frequency_hz, width_hz, seconds, mains_hz)
    return {
        "rumble_unweighted_db": _weighted(power, rumble_weighting_db(frequency_hz, "unweighted")),
        "rumble_weighted_db": _weighted(power, rumble_weighting_db(frequency_hz, "weighted")),
        "hum_db": _db(hum_power),
        "hum_limited": hum_limited,
        "noise_a_db": _weighted(audible, a_weighting_db(frequency_hz)),
        "noise_468_rms_db": _weighted(audible, weighting_468_db(frequency_hz)),
    }


def _weighted(power: np.ndarray, weighting_db: np.ndarray) -> float:
    return _db(float(np.sum(power * 10.0 ** (weighting_db / 10.0))))


def _db(power: float) -> float:
    """Return the level of a power; NaN (null) where there is none."""
    return 10.0 * float(np.log10(power)) if power > 0.0 else float("nan")


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the metrics that stand in the table as they are; hum may be a bound."""
    for track, channel, rows in groups(measured.tables, TABLE.name):
        is_rated = rows["sensitivity_from"][0] == "rated"
        parts_db = noise_parts_db(measured.side, measured.chain, is_rated)
        for metric in MEASURE.metrics:
            limited = metric.name == "hum_db" and bool(rows["hum_limited"][0])
            value = float(rows[metric.name][0])
            if metric.unit == "dB":
                yield Figure(metric.name, channel, track, value, limited=limited, parts=parts_db)
                continue
            # Ticks come by chance (Poisson): one more than counted keeps none from being certain.
            per_tick = 60.0 / float(rows["seconds"][0])
            by_chance = float(np.sqrt(per_tick * (value + per_tick)))
            yield Figure(metric.name, channel, track, value, by_chance)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_noise_groove,
    needs="a groove without modulation",
    observed=("noise_density", "orders"),
    metrics=(
        Metric(
            "rumble_unweighted_db",
            "dB",
            "Rumble, unweighted",
            Group.TURNTABLE,
            CHAIN_AND_RECORD,
            least_change=1.0,
        ),
        Metric(
            "rumble_weighted_db",
            "dB",
            "Rumble, weighted",
            Group.TURNTABLE,
            CHAIN_AND_RECORD,
            least_change=1.0,
        ),
        Metric(
            "hum_db",
            "dB",
            "Hum",
            Group.CHAIN,
            frozenset({Covariate.CHAIN}),
            least_change=2.0,
        ),
        Metric(
            "noise_a_db",
            "dB",
            "Surface noise, A-weighted",
            Group.RECORD,
            CHAIN_AND_RECORD | {Covariate.RECORD_PLAYS},
            least_change=1.0,
        ),
        Metric(
            "noise_468_db",
            "dB",
            "Surface noise, 468-weighted quasi-peak",
            Group.RECORD,
            CHAIN_AND_RECORD | {Covariate.RECORD_PLAYS},
            least_change=1.0,
        ),
        Metric(
            "ticks_per_min",
            "1/min",
            "Ticks",
            Group.RECORD,
            frozenset({Covariate.RECORD, Covariate.RECORD_PLAYS}),
            least_change=5.0,
        ),
    ),
    figures=figures,
)
