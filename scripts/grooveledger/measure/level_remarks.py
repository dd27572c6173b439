"""Where measured levels contradict the velocities, the chain's gain or the rated output."""

from collections.abc import Iterator

import numpy as np

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.metric_rows import Columns, groups
from grooveledger.measure.rated_output import (
    USUAL_VELOCITY_CM_S,
    USUAL_VELOCITY_MEASURE,
    rated_sensitivity_mv_per_cm_s,
)
from grooveledger.physics.groove import SQRT2, rms_velocity_cm_s
from grooveledger.plan import Cartridge, Chain

#: Peak over rms, and the stylus's velocity over that of each channel, dB.
ROOT_TWO_DB = 20.0 * float(np.log10(SQRT2))
#: A difference is taken for that within this; what is further off has another cause.
NEAR_DB = 1.5
#: What cartridges give at 5 cm/s peak, mV rms (common practice), where no data sheet says it.
OUTPUT_MV = {"moving_magnet": (0.8, 15.0), "moving_iron": (0.3, 15.0), "moving_coil": (0.03, 5.0)}

#: Median sensitivity in dB relative to 1 mV per cm/s, by channel.
ByChannel = dict[str, float]


def level_remarks(
    context: CaptureContext,
    level: Columns,
    as_described: frozenset[int],
    band_hz: tuple[float, float],
) -> list[tuple[int | None, str]]:
    """Report where levels differ between lateral and one-channel tracks, or from the rated ones.

    Parameters
    ----------
    context : CaptureContext
        The capture, with the settings block `remarks`.
    level : mapping
        Columns of the level measure.
    as_described : frozenset of int
        Numbers of the tracks that are looked at: their channels are as described.
    band_hz : (float, float)
        Tones that are looked at.
    """
    single, double = _sensitivities(context, level, as_described, band_hz)
    remarks: list[tuple[int | None, str]] = [
        (None, text) for text in _step(single, double, context.settings["level_off_db"])
    ]
    means_db = [float(np.mean(list(one.values()))) for one in (single, double) if one]
    if not means_db:
        return remarks
    rated = rated_sensitivity_mv_per_cm_s(context.cartridge)
    if np.isnan(rated):
        return [*remarks, *((None, text) for text in _beyond_usual(means_db, context))]
    least_db, most_db = (
        20.0 * np.log10(rated) + load_db for load_db in _load_db(context.cartridge, context.chain)
    )
    off_db = [mean_db - float(np.clip(mean_db, least_db, most_db)) for mean_db in means_db]
    # What explains a step between tracks is no fault of the chain: the lesser deviation counts.
    nearest_db = min(off_db, key=abs)
    limit_db = ROOT_TWO_DB + NEAR_DB if remarks else context.settings["level_off_db"]
    if abs(nearest_db) > limit_db and min(off_db) * max(off_db) > 0.0:
        remarks.append((None, _off(nearest_db, context)))
    return remarks


def _sensitivities(
    context: CaptureContext,
    level: Columns,
    as_described: frozenset[int],
    band_hz: tuple[float, float],
) -> tuple[ByChannel, ByChannel]:
    """Return the sensitivity by tracks of one groove wall, and by lateral and vertical ones."""
    by_axis: tuple[dict[str, list[float]], dict[str, list[float]]] = ({}, {})
    for number, channel, rows in groups({"level": level}, "level"):
        sensitivity = float(rows["sensitivity_mv_per_cm_s"][0])
        is_inside = band_hz[0] < rows["frequency_hz"][0] < band_hz[1]
        if number in as_described and is_inside and not rows["limited"][0] and sensitivity > 0.0:
            drives_both = len(context.side.track(number).driven_channels) == 2
            by_axis[drives_both].setdefault(channel, []).append(20.0 * np.log10(sensitivity))
    single, double = (
        {channel: float(np.median(values)) for channel, values in one.items()} for one in by_axis
    )
    return single, double


def _step(single: ByChannel, double: ByChannel, limit_db: float) -> Iterator[str]:
    """Yield the lateral tracks that give another sensitivity than those of one groove wall."""
    common = sorted(single.keys() & double.keys())
    if not common:
        return
    step_db = float(np.mean([double[channel] - single[channel] for channel in common]))
    if abs(step_db) < limit_db:
        return
    seen = (
        f"output per velocity is {abs(step_db):.1f} dB {'higher' if step_db > 0.0 else 'lower'} by "
        "the lateral or vertical tracks than by those of one groove wall"
    )
    if abs(step_db - ROOT_TWO_DB) < NEAR_DB:
        yield (
            f"{seen}: give velocity_cm_s along the stylus's axis for the first, the channel's own "
            "for the others, and check that all are peak or rms as velocity_measure says"
        )
    else:
        yield f"{seen}: check velocity_cm_s and velocity_measure of both"


def _load_db(cartridge: Cartridge, chain: Chain) -> tuple[float, float]:
    """Return the least and most that the chain's load may change the rated output by.

    The coil's resistance and the load divide the voltage; where the sheet names no load, it may
    have been any from the chain's own to none.
    """
    coil_ohm = cartridge.coil_resistance_ohm or 0.0
    loaded_db = 20.0 * float(np.log10(chain.load_ohm / (chain.load_ohm + coil_ohm)))
    rated_ohm = (cartridge.rated or {}).get("load_ohm")
    if not rated_ohm:
        return loaded_db, 0.0
    change_db = loaded_db - 20.0 * float(np.log10(rated_ohm / (rated_ohm + coil_ohm)))
    return change_db, change_db


def _off(off_db: float, context: CaptureContext) -> str:
    chain, rated = context.chain, context.cartridge.rated or {}
    above = off_db > 0.0
    seen = (
        f"the output is {abs(off_db):.1f} dB {'above' if above else 'below'} the rated "
        f"{rated.get('output_mv')} mV in both channels"
    )
    if abs(off_db) <= ROOT_TWO_DB + NEAR_DB:
        really, sheet = ("rms", "peak") if above else ("peak", "rms")
        return (
            f"{seen}: check whether the record's velocities are really {really} or the data "
            f"sheet's {sheet} (velocity_measure), whether they are the channel's or the stylus's, "
            "and that full_scale_v_rms is an rms value"
        )
    return (
        f"{seen}: gain_db would have to be {chain.gain_db + off_db:.1f} or full_scale_v_rms "
        f"{chain.full_scale_v_rms * 10.0 ** (-off_db / 20.0):.3g} for that; check both, and that "
        "the sheet names the stylus that was played"
    )


def _beyond_usual(means_db: list[float], context: CaptureContext) -> Iterator[str]:
    """Yield the outputs that no cartridge of the kind gives, where there is no rated one."""
    velocity_cm_s = rms_velocity_cm_s(USUAL_VELOCITY_CM_S, USUAL_VELOCITY_MEASURE)
    outputs_mv = [velocity_cm_s * 10.0 ** (mean_db / 20.0) for mean_db in means_db]
    least_mv, most_mv = OUTPUT_MV[context.cartridge.principle]
    if max(outputs_mv) < least_mv or min(outputs_mv) > most_mv:
        yield (
            f"the output at {USUAL_VELOCITY_CM_S:g} cm/s {USUAL_VELOCITY_MEASURE} would be "
            f"{outputs_mv[0]:.3g} mV, but cartridges of its kind give {least_mv:g} to "
            f"{most_mv:g}: check the chain's gain_db and full_scale_v_rms"
        )
