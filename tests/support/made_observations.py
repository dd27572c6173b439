"""Observations made by hand, in closed form, for tests of the measures."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from grooveledger.measure.context import CaptureContext
from grooveledger.physics.equalisation import replay_response
from grooveledger.plan import Cartridge, Chain, Side, Track

CHANNELS = ("left", "right")
NYQUIST_PART = 0.94

CHAIN = Chain.from_mapping(
    {
        "chain": "bench",
        "arm_effective_mass_g": 13.0,
        "cable": {"resistance_ohm": 0.3, "inductance_uh": 1.0, "capacitance_pf": 110.0},
        "preamplifier": {
            "input_resistance_ohm": 47_000.0,
            "input_capacitance_pf": 45.0,
            "gain_db": 40.0,
            "equalisation": "iec98",
        },
        "converter": {"full_scale_v_rms": 2.0},
    }
)
CARTRIDGE = Cartridge.from_mapping(
    {
        "cartridge": "mm-one",
        "principle": "moving_magnet",
        "mass_g": 7.0,
        "compliance_um_per_mn": {"static": 24.0},
        "rated": {
            "output_mv": 4.2,
            "output_velocity_cm_s": 5.0,
            "output_velocity_measure": "peak",
        },
    }
)


def make_side(*tracks: Mapping[str, Any], **facts: Any) -> Side:
    """A side of record bench-a with the tracks given, numbered from 1 where they are not."""
    numbered = [{"track": i, **track} for i, track in enumerate(tracks, start=1)]
    return Side.from_mapping(
        {
            "record": "bench-a",
            "side": "a",
            "rpm": 100 / 3,
            "gap_s": 4.0,
            **facts,
            "tracks": numbered,
        }
    )


def make_context(
    side: Side,
    observations: Mapping[str, Mapping[str, np.ndarray]],
    settings: Mapping[str, Any] | None = None,
    chain: Chain = CHAIN,
    cartridge: Cartridge = CARTRIDGE,
) -> CaptureContext:
    tracks = {
        "track": np.array([track.track for track in side.tracks], float),
        "match": np.array(["found"] * len(side.tracks), object),
        "start_s": 10.0 * np.arange(len(side.tracks)),
        "stop_s": 10.0 * np.arange(len(side.tracks)) + 8.0,
    }
    return CaptureContext(
        "c1", side, chain, cartridge, dict(settings or {}), tracks, dict(observations)
    )


def orders_of(
    track: Track | int,
    nominal_hz: float | np.ndarray,
    lines: Mapping[int | tuple[int, int], Any],
    *,
    floor_fs: float = 1e-9,
    played_hz: float | np.ndarray | None = None,
    steps: bool = False,
    start_s: float = 10.0,
) -> dict[str, np.ndarray]:
    """Orders of one track.

    `lines` maps an order, or (order, low_order), to complex full-scale amplitudes (left, right),
    each a number or one for each of the moments in `nominal_hz`.
    """
    nominal_hz = np.atleast_1d(np.asarray(nominal_hz, float))
    played = nominal_hz if played_hz is None else np.broadcast_to(played_hz, nominal_hz.shape)
    n = len(nominal_hz)
    parts: dict[str, list[Any]] = {name: [] for name in ORDER_COLUMNS}
    number = track if isinstance(track, int) else track.track
    for line, amplitudes in lines.items():
        order, low_order = line if isinstance(line, tuple) else (line, 0)
        for channel, amplitude in zip(CHANNELS, amplitudes, strict=True):
            z = np.broadcast_to(np.asarray(amplitude, complex), (n,))
            rows = {
                "track": np.full(n, float(number)),
                "step": np.arange(n, dtype=float) if steps else np.full(n, np.nan),
                "channel": np.full(n, channel, object),
                "order": np.full(n, float(order)),
                "low_order": np.full(n, float(low_order)),
                "time_s": start_s + 0.5 * np.arange(n),
                "nominal_hz": nominal_hz,
                "played_hz": played,
                "amplitude_fs": np.abs(z),
                "phase_deg": np.degrees(np.angle(z)),
                "floor_fs": np.full(n, floor_fs),
                "bandwidth_hz": np.full(n, 1.0),
                "limited": np.abs(z) <= 2.0 * floor_fs,
            }
            for name, values in rows.items():
                parts[name].append(values)
    return {name: np.concatenate(values) for name, values in parts.items()}


ORDER_COLUMNS = (
    "track",
    "step",
    "channel",
    "order",
    "low_order",
    "time_s",
    "nominal_hz",
    "played_hz",
    "amplitude_fs",
    "phase_deg",
    "floor_fs",
    "bandwidth_hz",
    "limited",
)


def joined(*parts: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Columns one after the other."""
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def heard(amplitude_mv: Any, frequency_hz: Any, chain: Chain = CHAIN) -> Any:
    """Full-scale peak amplitude of an rms output at the terminals, in mV: the chain forwards."""
    gain = 10.0 ** (chain.gain_db / 20.0)
    replay = np.abs(replay_response(frequency_hz, chain.equalisation))
    return np.asarray(amplitude_mv) * 1e-3 * gain * replay / chain.full_scale_v_rms


def changed(
    columns: Mapping[str, np.ndarray], change: Callable[[dict[str, np.ndarray]], None]
) -> dict[str, np.ndarray]:
    """A copy of columns with a change made to it."""
    copy = {name: values.copy() for name, values in columns.items()}
    change(copy)
    return copy


def swapped_chain(chain: Chain = CHAIN) -> Chain:
    return replace(chain, swap_channels=True)
