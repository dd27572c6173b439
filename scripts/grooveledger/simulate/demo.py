"""The demo archive: an invented workshop's styli, what really happened to them, and the recordings.

The configuration says what the workshop knows; this module holds what it does not: how each stylus
was when it was recorded. Nothing here is, or stands for, a real product.
"""

import math
import zlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from grooveledger.configuration import Archive
from grooveledger.plan import Chain, Side
from grooveledger.simulate.capture import plan_capture, render_capture
from grooveledger.simulate.conditions import Conditions
from grooveledger.simulate.files import write_capture
from grooveledger.simulate.stylus import StylusTruth
from grooveledger.simulate.truth import CaptureTruth

#: Hours in which the suspension settles, as an exponential.
SETTLING_HOURS = 10.0
#: Hours at which the wearing stylus has the full wear given in `_worn`.
WORN_HOURS = 600.0
#: Butyl damping: compliance half as much again from 20 to 35 degrees C (a trade glossary).
COMPLIANCE_PER_C = math.log(1.5) / 15.0
ROOM_C = 21.0
#: Peak channel velocity of the demo's distortion track, at which the wanted figures hold, cm/s.
DISTORTION_VELOCITY_CM_S = 4.0 / math.sqrt(2.0)
#: Rows of Hz and per cent of orders 2 to 5 at that velocity: second harmonic dominant, near 0.5 %
#: at 100 Hz, 1 to 2 % at 1 kHz, 3 % at 5 kHz, 5 to 8 % at 10 kHz (common practice).
DISTORTION = (
    (20.0, 0.40, 0.12, 0.05, 0.02),
    (100.0, 0.47, 0.14, 0.05, 0.02),
    (1000.0, 1.25, 0.30, 0.10, 0.04),
    (5000.0, 3.0, 0.80, 0.25, 0.10),
    (10000.0, 7.0, 1.8, 0.5, 0.2),
    (20000.0, 9.0, 2.5, 0.8, 0.3),
)
#: Wow of each copy's hole, per cent.
RECORD_WOW_PCT = {"bench-1": 0.09, "bench-2": 0.13}
#: Captures that are not at 48 kHz, Hz.
SAMPLE_RATES_HZ = {"2025-03-29-new-a": 96_000}
#: Part of the last track that a recording stopped too early still has.
CUT_SHORT = {"2023-12-02-a": 0.65}
#: Recordings whose file has been destroyed.
UNREADABLE = {"2024-05-18-two-b"}
UNREADABLE_BYTES = 40_000


def _at_reference(rows: tuple[tuple[float, ...], ...]) -> tuple[tuple[float, ...], ...]:
    """Convert harmonics from the demo track's velocity to the model's reference velocity."""
    step = 5.0 / DISTORTION_VELOCITY_CM_S
    return tuple((row[0], *(pct * step for pct in row[1:])) for row in rows)


MM_ONE = StylusTruth(
    sensitivity_mv_per_cm_s=(1.21, 1.15),
    tip_resonance_hz=24_000.0,
    tip_q=0.9,
    coil_inductance_mh=480.0,
    coil_resistance_ohm=750.0,
    crosstalk_left_to_right=(
        (20.0, -24.0, 15.0),
        (100.0, -26.5, 8.0),
        (1000.0, -28.0, -12.0),
        (5000.0, -25.5, -55.0),
        (10000.0, -22.0, -90.0),
        (20000.0, -17.0, -130.0),
    ),
    crosstalk_right_to_left=(
        (20.0, -23.0, 18.0),
        (100.0, -25.5, 10.0),
        (1000.0, -26.5, -15.0),
        (5000.0, -24.5, -60.0),
        (10000.0, -21.0, -95.0),
        (20000.0, -16.5, -135.0),
    ),
    harmonics=_at_reference(DISTORTION),
    intermodulation_pct=(2.2, 0.6),
    tracked_amplitude_um=(94.0, 92.0),
    mass_g=6.5,
    compliance_um_per_mn=(13.2, 11.5),
    resonance_q=(3.0, 2.4),
)
MM_TWO = StylusTruth(
    sensitivity_mv_per_cm_s=(0.84, 0.85),
    tip_resonance_hz=29_000.0,
    tip_q=1.0,
    coil_inductance_mh=350.0,
    coil_resistance_ohm=450.0,
    crosstalk_left_to_right=(
        (20.0, -23.0, 10.0),
        (1000.0, -23.5, -8.0),
        (10000.0, -20.0, -70.0),
        (20000.0, -17.0, -110.0),
    ),
    crosstalk_right_to_left=(
        (20.0, -24.0, 12.0),
        (1000.0, -24.2, -10.0),
        (10000.0, -20.5, -75.0),
        (20000.0, -17.0, -115.0),
    ),
    harmonics=_at_reference(
        tuple((row[0], *(0.75 * pct for pct in row[1:])) for row in DISTORTION)
    ),
    intermodulation_pct=(1.5, 0.4),
    tracked_amplitude_um=(86.0, 86.0),
    mass_g=6.0,
    compliance_um_per_mn=(15.5, 13.5),
    resonance_q=(2.6, 2.2),
)


def demo_truth(archive: Archive, row: Mapping[str, Any]) -> tuple[CaptureTruth, int]:
    """Say what a row of the demo's sheet really was, and with which seed it is rendered."""
    seed = zlib.crc32(row["capture"].encode())
    chance = np.random.default_rng(seed)
    side = Side.from_mapping(archive.side_of(row))
    chain = Chain.from_mapping({**archive.chains[row["chain"]], "chain": row["chain"]})
    temperature_c = ROOM_C if row["temperature_c"] is None else row["temperature_c"]
    stylus = LIVES[row["stylus"]](row["stylus_hours"])
    stylus = _handled(_at_temperature(stylus, temperature_c), chance)
    conditions = _conditions(row, chance)
    return plan_capture(side, stylus, chain, conditions, seed), seed


def write_demo_capture(archive: Archive, row: Mapping[str, Any], path: Path) -> None:
    """Make one recording of the demo, whole or not at all."""
    if row["capture"] in UNREADABLE:
        chance = np.random.default_rng(zlib.crc32(row["capture"].encode()))
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(chance.bytes(UNREADABLE_BYTES))
        return
    truth, seed = demo_truth(archive, row)
    sample_rate_hz = SAMPLE_RATES_HZ.get(row["capture"], 48_000)
    samples = render_capture(truth, sample_rate_hz, seed)
    if row["capture"] in CUT_SHORT:
        last = truth.tracks[-1]
        stop_s = last.start_s + CUT_SHORT[row["capture"]] * (last.stop_s - last.start_s)
        samples = samples[: int(stop_s * sample_rate_hz)]
    write_capture(path, samples, sample_rate_hz)


def _wearing(hours: float) -> StylusTruth:
    """Return an elliptical tip that is worn out at `WORN_HOURS`.

    The flat's length goes with the square root of hours, since the volume worn off goes with
    hours: its loss in dB then goes with hours (our own model).
    """
    return _settling(_worn(MM_ONE, hours / WORN_HOURS), hours)


def _fresh(hours: float) -> StylusTruth:
    """Return another specimen of the same type, new."""
    specimen = replace(
        MM_ONE, sensitivity_mv_per_cm_s=(1.17, 1.19), tip_resonance_hz=23_500.0, tip_q=0.95
    )
    return _settling(_worn(specimen, hours / WORN_HOURS), hours)


def _settled(hours: float) -> StylusTruth:
    """Return a line-contact tip that does not change in the demo's hours."""
    return MM_TWO


LIVES: Mapping[str, Callable[[float], StylusTruth]] = {
    "mm-one-1": _wearing,
    "mm-one-2": _fresh,
    "mm-two-1": _settled,
}


def _worn(stylus: StylusTruth, wear: float) -> StylusTruth:
    """Age a stylus by a part of its life: less treble, more distortion and crosstalk there."""
    return replace(
        stylus,
        flat_um=6.5 * math.sqrt(wear),
        harmonics=tuple(
            (row[0], *(pct * (1.0 + _tilt(row[0], 1.1) * wear) for pct in row[1:]))
            for row in stylus.harmonics
        ),
        crosstalk_left_to_right=_raised(stylus.crosstalk_left_to_right, 1.2, 3.0, wear),
        crosstalk_right_to_left=_raised(stylus.crosstalk_right_to_left, 1.5, 3.5, wear),
        intermodulation_pct=_pair(pct * (1.0 + 0.6 * wear) for pct in stylus.intermodulation_pct),
        tracked_amplitude_um=_pair(um - 22.0 * wear for um in stylus.tracked_amplitude_um),
    )


def _settling(stylus: StylusTruth, hours: float) -> StylusTruth:
    """Settle a new suspension: stiffer, with a little less output and tracking at first."""
    left = math.exp(-hours / SETTLING_HOURS)
    return replace(
        stylus,
        sensitivity_mv_per_cm_s=_pair(
            s * (1.0 - 0.05 * left) for s in stylus.sensitivity_mv_per_cm_s
        ),
        tip_q=stylus.tip_q * (1.0 + 0.12 * left),
        compliance_um_per_mn=_pair(c * (1.0 - 0.25 * left) for c in stylus.compliance_um_per_mn),
        tracked_amplitude_um=_pair(um - 14.0 * left for um in stylus.tracked_amplitude_um),
        harmonics=tuple(
            (row[0], *(pct * (1.0 + 0.2 * left) for pct in row[1:])) for row in stylus.harmonics
        ),
    )


def _at_temperature(stylus: StylusTruth, temperature_c: float) -> StylusTruth:
    warmer = temperature_c - ROOM_C
    return replace(
        stylus,
        compliance_um_per_mn=_pair(
            c * math.exp(COMPLIANCE_PER_C * warmer) for c in stylus.compliance_um_per_mn
        ),
        tip_q=stylus.tip_q * (1.0 - 0.004 * warmer),
    )


def _handled(stylus: StylusTruth, chance: np.random.Generator) -> StylusTruth:
    """Vary what a new set-up changes: azimuth, force and cleanness, slightly."""
    left, right, treble = (float(x) for x in chance.normal(0.0, 1.0, 3))
    return replace(
        stylus,
        sensitivity_mv_per_cm_s=_pair(
            s * 10.0 ** (0.02 * x / 20.0)
            for s, x in zip(stylus.sensitivity_mv_per_cm_s, (left, right), strict=True)
        ),
        tip_q=stylus.tip_q * (1.0 + 0.004 * treble),
        crosstalk_left_to_right=_raised(stylus.crosstalk_left_to_right, 0.2, 0.2, left),
        crosstalk_right_to_left=_raised(stylus.crosstalk_right_to_left, 0.2, 0.2, right),
    )


def _conditions(row: Mapping[str, Any], chance: np.random.Generator) -> Conditions:
    """Draw one evening's turntable for a record with a number of plays."""
    speed, phase, ticks, drift = chance.uniform(-1.0, 1.0, 4)
    plays = row["record_plays"]
    return Conditions(
        speed_error_pct=0.24 + 0.04 * float(speed),
        once_per_rev_pct=RECORD_WOW_PCT[row["record"]],
        once_per_rev_phase_deg=180.0 * float(phase),
        flutter=((1.11, 0.02), (4.3, 0.015), (8.3, 0.012), (25.0, 0.006), (50.0, 0.004)),
        drift_pct_per_min=0.008 * float(drift),
        needle_drop_cm_s=8.0,
        lead_in_s=2.6,
        lead_out_s=2.0,
        surface_a_db=-63.0 + 0.02 * plays,
        rumble_db=-47.0,
        ticks_per_min=6.0 + 0.2 * plays + 2.0 * float(ticks),
        hum_db=-58.0,
        hiss_a_db=-79.0,
    )


def _pair(values: Iterable[float]) -> tuple[float, float]:
    first, second = values
    return first, second


def _tilt(hz: float, most: float) -> float:
    """Return growth with frequency: a tenth of `most` in the bass, all of it from 10 kHz up."""
    return float(most * min(1.0, 0.1 + 0.9 * (hz / 10_000.0) ** 0.7))


def _raised(
    table: tuple[tuple[float, float, float], ...], bass_db: float, treble_db: float, part: float
) -> tuple[tuple[float, float, float], ...]:
    return tuple(
        (hz, db + part * (bass_db + (treble_db - bass_db) * min(hz / 10_000.0, 1.0)), phase_deg)
        for hz, db, phase_deg in table
    )
