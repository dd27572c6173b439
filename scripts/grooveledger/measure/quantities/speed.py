"""Speed of steady tones: mean, wow and flutter (IEC 60386, AES6), once a revolution, drift."""

from collections.abc import Iterator

import numpy as np
import pyarrow as pa

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Covariate, Group, Measure, Metric
from grooveledger.measure.fluctuation import (
    FINER,
    PER_REVOLUTION,
    SETTLING_S,
    Steady,
    faded_band,
    fit_steady,
    fluctuation,
    phasors,
)
from grooveledger.measure.metric_rows import Figure, Measured, groups
from grooveledger.measure.terminals import by_channel
from grooveledger.physics.uncertainty import rectangular
from grooveledger.physics.weighting import flutter_weighting, two_sigma_peak
from grooveledger.plan.uses import is_speed_tone
from grooveledger.schemas.table import CAPTURE, CHANNEL, TRACK, Table, real
from grooveledger.storage import tables

TABLE = Table(
    "speed",
    "measure",
    "Mean speed, wow and flutter of a steady tone.",
    ("capture", "track", "channel"),
    (
        CAPTURE,
        TRACK,
        CHANNEL,
        real("mean_hz", "Hz", "mean played frequency"),
        real("speed_error_pct", "%", "mean played relative to nominal frequency, less one"),
        real("wow_flutter_weighted_pct", "%", "weighted two-sigma peak"),
        real("wow_flutter_unweighted_pct", "%", "two-sigma peak, 0.2 to 200 Hz"),
        real("wow_flutter_weighted_rms_pct", "%", "weighted rms"),
        real("once_per_rev_pct", "%", "peak of the once-per-revolution sinusoid"),
        real("drift_pct_per_min", "%/min", "linear change of speed over the track"),
        real("frequency_hz", "Hz", "nominal frequency of the tone"),
        real("seconds", "s", "length analysed"),
        real("twice_per_rev_pct", "%", "peak of the sinusoid at twice a revolution"),
        real(
            "wow_flutter_weighted_rest_pct",
            "%",
            "weighted two-sigma peak without the once-per-revolution part",
        ),
        real(
            "wow_flutter_unweighted_rest_pct",
            "%",
            "two-sigma peak, 0.2 to 200 Hz, without the once-per-revolution part",
        ),
        real("eccentricity_mm", "mm", "offset of the hole that once_per_rev_pct would mean"),
        real("three_per_rev_pct", "%", "peak of the sinusoid at three times a revolution"),
        real("four_per_rev_pct", "%", "peak of the sinusoid at four times a revolution"),
        real(
            "wow_flutter_unweighted_uncertainty_pct",
            "%",
            "standard uncertainty from slow flutter that the track is too short for",
        ),
        real(
            "once_per_rev_uncertainty_pct",
            "%",
            "standard uncertainty from flutter and noise near once a revolution",
        ),
        real("eccentricity_uncertainty_mm", "mm", "standard uncertainty that follows"),
    ),
    revision=4,
)
CHAIN_AND_RECORD = frozenset({Covariate.CHAIN, Covariate.RECORD})

#: Band of unweighted fluctuation, Hz (IEC 60386 Amd 1 asks for 0.1 to 200 at least; the slowest
#: that a track of half a minute can show is 0.2).
UNWEIGHTED_HZ = (0.2, 200.0)
#: Part of a straight line's end that it exceeds 5 % of the time.
TWO_SIGMA_PART = 0.95
#: Flutter slower than this is slow, Hz: a track of ten seconds has a few cycles of it. Once a
#: revolution is faster.
SLOW_HZ = 0.5
#: Part of slow flutter by which a trace of `SHARE_S` seconds may be off at most, and the power of
#: time with which that falls. The greatest error of sines of 0.2 to 0.7 Hz at any phase, with and
#: without a once-per-revolution part, was 39 % on 5 s, 13 % on 10 s, 6 % on 20 s and 3 % on 40 s.
SHARE, SHARE_S, SHARE_POWER = 0.4, 5.0, 1.3
#: What lies this near to the rotation is not separated from it, in cycles over the trace: offsets
#: at which the rest is examined.
NEAR_CYCLES = (-1.5, -1.0, -0.5, 0.5, 1.0, 1.5)
#: A trace shorter than this many revolutions can't separate wow from drift.
REVOLUTIONS_MIN = 1.5
#: Columns with the standard uncertainties of metrics, from the fluctuation itself.
UNCERTAINTY_COLUMNS = {
    "wow_flutter_unweighted_pct": "wow_flutter_unweighted_uncertainty_pct",
    "eccentricity_mm": "eccentricity_uncertainty_mm",
}


def measure(context: CaptureContext) -> pa.Table:
    """Measure the speed of every tone that was traced.

    Wow and flutter are null where the track is too short for them.

    Returns
    -------
    pyarrow.Table
        `TABLE`.
    """
    trace = by_channel(context.observations["speed_trace"], context.chain)
    of_channel = {channel: trace["channel"] == channel for channel in ("left", "right")}
    parts = []
    for track in filter(is_speed_tone, context.side.tracks):
        for channel in ("left", "right"):
            rows = (trace["track"] == track.track) & of_channel[channel]
            if not rows.any():
                continue
            figures = speed_figures(
                trace["time_s"][rows], trace["deviation_pct"][rows], context.side.rpm
            )
            columns = {
                "capture": context.capture,
                "track": track.track,
                "channel": channel,
                "mean_hz": track.lowest_hz * (1.0 + figures["speed_error_pct"] / 100.0),
                "frequency_hz": track.lowest_hz,
                "eccentricity_mm": eccentricity_mm(figures["once_per_rev_pct"], track.radius_mm),
                "eccentricity_uncertainty_mm": eccentricity_mm(
                    figures["once_per_rev_uncertainty_pct"], track.radius_mm
                ),
                **figures,
            }
            parts.append(tables.build(TABLE, columns))
    return tables.concat(TABLE, parts)


def speed_figures(time_s: np.ndarray, deviation_pct: np.ndarray, rpm: float) -> dict[str, float]:
    """Return the figures of one trace.

    Parameters
    ----------
    time_s, deviation_pct : ndarray, shape (n,)
        Evenly spaced; deviation relative to the nominal frequency.
    rpm : float
        Nominal revolutions a minute.

    Returns
    -------
    dict
        By the column's name in `TABLE`; NaN where the trace is too short.
    """
    rate_hz = (len(time_s) - 1) / float(time_s[-1] - time_s[0])
    turn_hz = rpm / 60.0 * (1.0 + float(np.mean(deviation_pct)) / 100.0)
    error_pct = mean_over_turns(deviation_pct, rate_hz / turn_hz)
    figures = dict.fromkeys(
        (
            "wow_flutter_weighted_pct",
            "wow_flutter_unweighted_pct",
            "wow_flutter_weighted_rms_pct",
            *PER_REVOLUTION,
            "wow_flutter_weighted_rest_pct",
            "wow_flutter_unweighted_rest_pct",
            "drift_pct_per_min",
            "wow_flutter_unweighted_uncertainty_pct",
            "once_per_rev_uncertainty_pct",
        ),
        float("nan"),
    )
    seconds = len(time_s) / rate_hz
    figures |= {"speed_error_pct": error_pct, "seconds": seconds}
    if seconds < max(SETTLING_S + 1.0 / turn_hz, REVOLUTIONS_MIN / turn_hz):
        return figures
    steady = fit_steady(deviation_pct, rate_hz, turn_hz)
    fine_hz = FINER * rate_hz
    turn = fine_hz / turn_hz
    settled = whole_turns(FINER * len(deviation_pct) - round(SETTLING_S * fine_hz), turn)
    whole = whole_turns(FINER * len(deviation_pct), turn)
    weighted, weighted_rest = fluctuation(deviation_pct, steady, rate_hz, flutter_weighting)
    band = faded_band(*UNWEIGHTED_HZ)
    unweighted, unweighted_rest = fluctuation(deviation_pct, steady, rate_hz, band)
    weighted, weighted_rest = weighted[-settled:], weighted_rest[-settled:]
    unweighted, unweighted_rest = unweighted[:whole], unweighted_rest[:whole]
    unweighted_pct = two_sigma_peak(unweighted)
    figures |= {
        "wow_flutter_unweighted_pct": unweighted_pct,
        "wow_flutter_unweighted_rest_pct": two_sigma_peak(unweighted_rest),
        "wow_flutter_weighted_pct": two_sigma_peak(weighted),
        "wow_flutter_weighted_rms_pct": float(np.sqrt(np.mean(weighted**2))),
        "wow_flutter_weighted_rest_pct": two_sigma_peak(weighted_rest),
        "drift_pct_per_min": 60.0 * steady.slope,
        "wow_flutter_unweighted_uncertainty_pct": slow_uncertainty_pct(
            deviation_pct, steady, rate_hz, unweighted_pct
        ),
        "once_per_rev_uncertainty_pct": near_rotation_pct(deviation_pct, steady, rate_hz),
        **dict(zip(PER_REVOLUTION, np.abs(steady.waves).tolist(), strict=True)),
    }
    return figures


def slow_uncertainty_pct(
    deviation: np.ndarray, steady: Steady, rate_hz: float, unweighted_pct: float
) -> float:
    """Return the standard uncertainty of unweighted flutter from what a trace is too short for.

    A few cycles don't separate slow flutter from drift. What may be slow, the fitted slope and
    what lies below `SLOW_HZ`, is off by `SHARE` of itself at most.
    """
    seconds = len(deviation) / rate_hz
    band = faded_band(SLOW_HZ, UNWEIGHTED_HZ[1])
    faster, _ = fluctuation(deviation, steady, rate_hz, band)
    slow_pct = np.sqrt(max(unweighted_pct**2 - two_sigma_peak(faster) ** 2, 0.0))
    sloping_pct = TWO_SIGMA_PART * abs(steady.slope) * seconds / 2.0
    share = SHARE * (SHARE_S / seconds) ** SHARE_POWER
    return float(rectangular(share * np.hypot(slow_pct, sloping_pct)))


def near_rotation_pct(deviation: np.ndarray, steady: Steady, rate_hz: float) -> float:
    """Return the greatest amplitude near the rotation rate of what the steady part leaves."""
    near_hz = steady.turns_hz[0] + np.array(NEAR_CYCLES) * rate_hz / len(deviation)
    turned = phasors(-near_hz, rate_hz, len(deviation)) @ (deviation - steady.model)
    return float(np.max(np.abs(turned))) * 2.0 / len(deviation)


def eccentricity_mm(once_per_rev_pct: float, radius_mm: float | None) -> float | None:
    """Return the offset of a record's hole that a once-per-revolution deviation would mean, mm.

    The deviation is offset over groove radius; the platter's own once-per-revolution part is in it.
    None where the radius is unknown.
    """
    return None if radius_mm is None else once_per_rev_pct / 100.0 * radius_mm


def mean_over_turns(values: np.ndarray, turn: float) -> float:
    """Return the mean over whole revolutions.

    Means over one revolution, starting at every sample, are averaged with a Hann weight: what goes
    round with the platter cancels, and so does, by the weight, any other flutter of several cycles.

    Parameters
    ----------
    turn : float
        Samples a revolution. A trace shorter than that gives its plain mean.
    """
    length = round(turn)
    if len(values) <= length:
        return float(np.mean(values))
    sums = np.cumsum(np.concatenate([[0.0], values]))
    means = (sums[length:] - sums[:-length]) / length
    weight = np.sin(np.pi * (np.arange(len(means)) + 0.5) / len(means)) ** 2
    return float(np.sum(weight * means) / np.sum(weight))


def whole_turns(samples: int, turn: float) -> int:
    """Return the samples of the whole revolutions in a stretch; the stretch where it has none."""
    turns = int(samples / turn)
    return round(turns * turn) if turns else samples


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the metrics that stand in the table as they are."""
    for track, channel, rows in groups(measured.tables, TABLE.name):
        for metric in MEASURE.metrics:
            u_column = UNCERTAINTY_COLUMNS.get(metric.name)
            parts = {"speed": float(rows[u_column][0])} if u_column else {}
            yield Figure(metric.name, channel, track, float(rows[metric.name][0]), parts=parts)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_speed_tone,
    needs="a steady tone of 500 Hz or more that lasts 5 s or longer, such as one of 3150 Hz",
    observed=("speed_trace",),
    metrics=(
        Metric(
            "speed_error_pct",
            "%",
            "Speed error",
            Group.TURNTABLE,
            CHAIN_AND_RECORD,
            repeatability=0.02,
            is_signed=True,
            least_change=0.05,
        ),
        Metric(
            "wow_flutter_weighted_pct",
            "%",
            "Wow and flutter, weighted",
            Group.TURNTABLE,
            CHAIN_AND_RECORD,
            least_change=0.02,
        ),
        Metric(
            "wow_flutter_unweighted_pct",
            "%",
            "Wow and flutter, unweighted",
            Group.TURNTABLE,
            CHAIN_AND_RECORD,
            least_change=0.03,
        ),
        Metric(
            "eccentricity_mm",
            "mm",
            "Offset of the hole, if the platter runs true",
            Group.RECORD,
            CHAIN_AND_RECORD,
            least_change=0.05,
        ),
    ),
    figures=figures,
)
