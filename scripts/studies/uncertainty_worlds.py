"""Cartridges, chains and records that depart from their description, and captures of them.

A world is what is true: a cartridge, a chain and a record, each off its description by an error
drawn afresh from the tolerance that the description states. A playing of it gives observations in
closed form, with noise, and with what differs from one playing to the next. Nothing here knows what
the budgets of uncertainty contain: record and preamplifier err as smooth curves within their
tolerance, from which the budgets' rules have to follow.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.special import ndtr

import library_path  # noqa: F401
from grooveledger.physics.equalisation import replay_response
from grooveledger.physics.weighting import a_weighting_db, rumble_weighting_db
from grooveledger.plan import Cartridge, Chain, Side

Array = np.ndarray
CHANNELS = ("left", "right")
#: A smooth error forgets its value within about this distance.
SMOOTH_OCTAVES = 0.7
#: Cosines that a smooth error is made of.
COSINES = 60
SAMPLE_RATE_HZ = 96_000.0
SWEEP_HZ = 20.0 * 2.0 ** (np.arange(122) / 12.0)
LOW_SWEEP_HZ = np.geomspace(25.0, 4.0, 70)
LOW_HZ, HIGH_HZ = 400.0, 4000.0
AMPLITUDES_UM = tuple(float(x) for x in range(40, 125, 5))
#: Rms noise of a reading, full scale.
FLOOR_FS = 1.5e-5
GROOVE_S, TRACE_S, TRACE_HZ = 30.0, 30.0, 200.0
REFERENCE_CM_S = 5.0
#: Standard deviations from one playing to the next.
PLAYING = {
    "level_db": 0.12, "tilt_db_octave": 0.05, "crosstalk_db": 0.4, "crosstalk_deg": 2.0,
    "phase_deg": 0.8, "harmonic": 0.06, "sideband": 0.05, "tracking": 0.03, "resonance": 0.012,
    "speed_pct": 0.02, "flutter": 0.08, "noise_db": 0.5,
}  # fmt: skip
DESCRIBED = {
    "chain": "bench",
    "arm_effective_mass_g": 13.0,
    "arm_mass_tolerance_pct": 10.0,
    "cable": {"resistance_ohm": 0.3, "inductance_uh": 1.0, "capacitance_pf": 110.0},
    "preamplifier": {
        "input_resistance_ohm": 47_000.0, "input_capacitance_pf": 45.0, "gain_db": 40.0,
        "gain_tolerance_db": 0.3, "channel_match_db": 0.2, "response_tolerance_db": 0.5,
        "equalisation": "iec98",
    },
    "converter": {"full_scale_v_rms": 2.0, "full_scale_tolerance_db": 0.2},
}  # fmt: skip
TRACKS: list[dict[str, Any]] = [
    {"kind": "tone", "modulation": "left", "frequency_hz": 1000.0, "velocity_cm_s": 5.0},
    {"kind": "tone", "modulation": "right", "frequency_hz": 1000.0, "velocity_cm_s": 5.0},
    {"kind": "tone", "modulation": "lateral", "frequency_hz": 1000.0, "velocity_cm_s": 7.0},
    {"kind": "sweep", "modulation": "left", "start_hz": 20.0, "stop_hz": 21_700.0,
     "velocity_cm_s": 5.0},
    {"kind": "sweep", "modulation": "right", "start_hz": 20.0, "stop_hz": 21_700.0,
     "velocity_cm_s": 5.0},
    {"kind": "tone", "purpose": "speed", "modulation": "lateral", "frequency_hz": 3150.0,
     "velocity_cm_s": 5.0},
    {"kind": "silent_groove"},
    {"kind": "two_tone", "modulation": "lateral", "frequencies_hz": [LOW_HZ, HIGH_HZ], "ratio": 4.0,
     "velocity_cm_s": 8.0},
    {"kind": "amplitude_steps", "modulation": "lateral", "frequency_hz": 315.0,
     "amplitudes_um": list(AMPLITUDES_UM), "step_s": 3.0},
    {"kind": "sweep", "purpose": "resonance", "modulation": "lateral", "start_hz": 25.0,
     "stop_hz": 4.0, "velocity_cm_s": 1.0},
    {"kind": "sweep", "purpose": "resonance", "modulation": "vertical", "start_hz": 25.0,
     "stop_hz": 4.0, "velocity_cm_s": 1.0},
]  # fmt: skip
#: Tracks by what they are for.
TONES, BOTH, SWEEPS, SPEED, GROOVE, TWO, STEPS, LOW = (1, 2), 3, (4, 5), 6, 7, 8, 9, (10, 11)
CHAIN = Chain.from_mapping(DESCRIBED)
SIDE = Side.from_mapping(
    {
        "record": "record",
        "side": "a",
        "rpm": 100.0 / 3.0,
        "gap_s": 4.0,
        "response_tolerance_db": 1.0,
        # A slow sweep: what its rate does to a resonance is no matter of tolerances.
        "tracks": [{"track": i, "duration_s": 600.0, **t} for i, t in enumerate(TRACKS, start=1)],
    }
)
BANDS_HZ = np.concatenate([np.arange(0.0, 400.0), np.geomspace(400.0, 22_000.0, 160)[1:]])
WIDTHS_HZ = np.gradient(BANDS_HZ)


def smooth_error(rng: np.random.Generator, tolerance_db: float) -> Callable[[Array], Array]:
    """Return an error of a response relative to 1 kHz, dB: any value within its tolerance alike.

    A stationary normal process on log frequency, brought to the rectangular distribution; within an
    octave of 1 kHz it goes to zero there.
    """
    slope = rng.standard_normal(COSINES) / SMOOTH_OCTAVES
    phase = rng.uniform(0.0, 2.0 * np.pi, COSINES)

    def error_db(frequency_hz: Array) -> Array:
        octaves = np.log2(np.asarray(frequency_hz, dtype=float) / 1000.0)
        waves = np.cos(np.multiply.outer(octaves, slope) + phase)
        normal = np.sqrt(2.0 / COSINES) * waves.sum(axis=-1)
        part = 2.0 * ndtr(normal) - 1.0
        return tolerance_db * part * np.minimum(np.abs(octaves), 1.0)

    return error_db


@dataclass
class Wall:
    """What is true of one channel of a cartridge."""

    sensitivity: float
    resonance_hz: float
    q: float
    dip_db: float
    harmonics: Array
    tracks_um: float
    leak_db: float

    def response(self, hz: Array) -> Array:
        """Return the response relative to 1 kHz, as a factor."""
        return self._bare(hz) / self._bare(np.array(1000.0))

    def _bare(self, hz: Array) -> Array:
        x = np.asarray(hz, dtype=float) / self.resonance_hz
        dip = 10.0 ** (-self.dip_db / 20.0 * np.exp(-(np.log2(x / 0.35) ** 2)))
        return dip / np.abs(1.0 - x**2 + 1j * x / self.q)

    def ratio(self, order: int, hz: Array) -> Array:
        """Return a harmonic over its fundamental."""
        return self.harmonics[order - 2] * (np.asarray(hz) / 1000.0) ** 0.3


@dataclass
class World:
    """What is true of one archive; `rng` draws what differs from one playing to the next."""

    rng: np.random.Generator
    walls: dict[str, Wall] = field(init=False)
    cartridge: Cartridge = field(init=False)

    def __post_init__(self) -> None:
        """Draw cartridge, chain and record."""
        rng = self.rng
        base = float(rng.uniform(0.7, 1.6))
        self.walls = {
            channel: Wall(
                base * 10.0 ** (rng.uniform(-1.0, 1.0) / 20.0),
                float(rng.uniform(13_000.0, 19_000.0)),
                float(rng.uniform(0.8, 1.8)),
                float(rng.uniform(0.0, 2.0)),
                rng.uniform(0.5, 1.5, 4) * np.array([1e-2, 5e-3, 1.5e-3, 1e-3]),
                float(rng.uniform(55.0, 95.0)),
                float(rng.uniform(-34.0, -26.0)),
            )
            for channel in CHANNELS
        }
        self.leak_deg = float(rng.uniform(-60.0, 60.0))
        self.tangent = float(np.tan(np.radians(rng.uniform(-1.5, 1.5))))
        self.phase_deg = float(rng.uniform(-5.0, 5.0))
        am, fm = rng.uniform(0.004, 0.012, 2) * np.exp(1j * rng.uniform(-0.5, 0.5, 2))
        self.sidebands = {
            -1: 0.5 * np.conj(am - fm), 1: 0.5 * (am + fm),
            -2: 0.002 * np.exp(1j), 2: 0.0015,
        }  # fmt: skip
        self.resonance_hz = {"lateral": rng.uniform(8.0, 11.0), "vertical": rng.uniform(9.0, 13.0)}
        self.resonance_q = dict(zip(self.resonance_hz, rng.uniform(1.5, 4.0, 2), strict=True))
        self.speed_pct = float(rng.uniform(-0.3, 0.3))
        self.noise_db = {"lateral": rng.uniform(-4.0, 4.0), "vertical": rng.uniform(-4.0, 4.0)}
        self.ticks_per_min = float(rng.uniform(4.0, 40.0))
        #: Some benches repeat better than others.
        self.scatter = float(np.exp(rng.uniform(np.log(0.15), 0.0)))
        self._chain()
        mass_g, rated_mv = 6.5, float(rng.uniform(0.8, 1.25)) * base * 3.5355
        self.mass_g = self.arm_g + mass_g
        rated = {
            "output_mv": rated_mv,
            "output_velocity_cm_s": 5.0,
            "output_velocity_measure": "peak",
            "balance_db": float(rng.uniform(0.3, 2.5)),
            "separation_db": float(rng.uniform(22.0, 34.0)),
            "response_hz": [50.0, 12_000.0],
            "response_db": float(rng.uniform(1.0, 4.0)),
        }
        self.cartridge = Cartridge.from_mapping(
            {
                "cartridge": "type",
                "principle": "moving_magnet",
                "mass_g": mass_g,
                "compliance_um_per_mn": {"static": 24.0},
                "rated": rated,
            }
        )

    def _chain(self) -> None:
        """Draw by how much chain and record are off their description."""
        rng = self.rng

        def within(tolerance: float) -> float:
            return float(rng.uniform(-tolerance, tolerance))

        gain_db = within(CHAIN.gain_tolerance_db) - within(CHAIN.full_scale_tolerance_db)
        apart_db = within(CHAIN.channel_match_db)
        self.gain_db = {"left": gain_db - 0.5 * apart_db, "right": gain_db + 0.5 * apart_db}
        self.preamplifier_db = smooth_error(rng, CHAIN.response_tolerance_db)
        self.arm_g = CHAIN.arm_effective_mass_g * (1.0 + within(CHAIN.arm_mass_tolerance_pct / 100))
        self.level_db = {track.track: within(SIDE.response_tolerance_db) for track in SIDE.tracks}
        self.record_db = {
            track.track: smooth_error(rng, SIDE.response_tolerance_db) for track in SIDE.tracks
        }

    def heard(self, channel: str, output_mv: Array, hz: Array) -> Array:
        """Return what the converter gives, complex, of an output at the terminals."""
        off_db = self.gain_db[channel] + self.preamplifier_db(hz)
        gain = 10.0 ** ((CHAIN.gain_db + off_db) / 20.0) / CHAIN.full_scale_v_rms
        return 1e-3 * output_mv * gain * replay_response(hz, "iec98")

    def crosstalk(self, driven: str, hz: Array) -> Array:
        """Return undriven over driven output at the terminals, complex."""
        leak_db = self.walls["left"].leak_db + 3.0 * np.log10(np.maximum(hz, 1000.0) / 1000.0)
        leak = 10.0 ** (leak_db / 20.0) * np.exp(1j * np.radians(self.leak_deg))
        balance = self._balance(hz)
        if driven == "left":
            return (leak - self.tangent) * balance
        return (leak + self.tangent) / balance

    def _balance(self, hz: Array) -> Array:
        left, right = self.walls["left"], self.walls["right"]
        own = right.sensitivity / left.sensitivity
        return own * right.response(hz) / left.response(hz)

    def density(self, axis: str, hz: Array) -> Array:
        """Return the noise of a groove, (cm/s rms)^2 a hertz after the ideal replay curve."""
        rumble_db = -75.0 - 25.0 * np.log10(np.maximum(hz, 4.0) / 30.0)
        level_db = np.logaddexp(rumble_db / 4.34, -95.0 / 4.34) * 4.34 + self.noise_db[axis]
        lines = np.zeros(len(hz))
        for line_hz, line_db in ((50.0, -52.0), (150.0, -58.0)):
            lines[np.argmin(np.abs(hz - line_hz))] = 10.0 ** (line_db / 10.0)
        return 25.0 * (10.0 ** (level_db / 10.0) + lines)


def truth(world: World) -> dict[tuple[str, str], float]:
    """Return the true figures by metric and channel; those of speed are `flutter_truth`'s."""
    found: dict[tuple[str, str], float] = {}
    fine_hz = np.geomspace(20.0, 21_600.0, 40_000)
    for channel, wall in world.walls.items():
        found["output_mv", channel] = wall.sensitivity * REFERENCE_CM_S / np.sqrt(2.0)
        for name, hz in (("100hz", 100.0), ("5khz", 5e3), ("10khz", 1e4), ("15khz", 1.5e4),
                         ("20khz", 2e4)):  # fmt: skip
            found[f"response_{name}_db", channel] = float(_db(wall.response(np.array(hz))))
        curve_db = _db(wall.response(fine_hz))
        top = int(np.argmax(np.where(fine_hz >= 1000.0, curve_db, -np.inf)))
        if 2200.0 < fine_hz[top] < 20_000.0:
            found["response_peak_db", channel] = float(curve_db[top])
            found["response_peak_hz", channel] = float(fine_hz[top])
        band = (fine_hz >= 1000.0) & (fine_hz <= 10_000.0)
        found["response_deviation_db", channel] = 0.5 * float(np.ptp(curve_db[band]))
        rated = (fine_hz >= 50.0) & (fine_hz <= 12_000.0)
        found["response_band_db", channel] = float(np.abs(curve_db[rated]).max())
        below = np.flatnonzero((curve_db <= -3.0) & (fine_hz > 1000.0))
        if len(below):
            found["upper_limit_hz", channel] = float(fine_hz[below[0]])
        separation_db = -_db(np.abs(world.crosstalk(channel, fine_hz)))
        for name, hz in (("1khz", 1e3), ("5khz", 5e3), ("10khz", 1e4)):
            found[f"separation_{name}_db", channel] = float(np.interp(hz, fine_hz, separation_db))
        found["separation_min_db", channel] = float(separation_db[band].min())
        for name, hz in (("1khz", 1e3), ("3khz", 3e3), ("5khz", 5e3), ("10khz", 1e4)):
            orders = [n for n in (2, 3, 4, 5) if n * hz < 0.47 * SAMPLE_RATE_HZ]
            power = sum(float(wall.ratio(n, np.array(hz))) ** 2 for n in orders)
            found[f"thd_{name}_pct", channel] = 100.0 * np.sqrt(power)
        for n in (2, 3):
            found[f"h{n}_1khz_pct", channel] = 100.0 * float(wall.ratio(n, np.array(1e3)))
        found["tracked_amplitude_um", channel] = wall.tracks_um
        bands = {n: abs(z) for n, z in world.sidebands.items()}
        found["imd_pct", channel] = 100.0 * float(np.hypot(bands[-1] + bands[1],
                                                           bands[-2] + bands[2]))  # fmt: skip
        p, q = world.sidebands[1], world.sidebands[-1]
        found["am_in_phase_pct", channel] = 100.0 * float((p + np.conj(q)).real)
        fm = (p - np.conj(q)) * LOW_HZ / HIGH_HZ
        found["fm_in_phase_pct", channel] = 100.0 * float(fm.real)
        found["fm_quadrature_pct", channel] = 100.0 * float(fm.imag)
    at = np.array(1000.0)
    balance = float(world._balance(at))
    found["balance_db", "both"] = float(_db(balance))
    left, right = (world.walls[channel].tracks_um for channel in CHANNELS)
    found["tracked_left_over_right_um", "both"] = left - right
    found["interchannel_phase_deg", "both"] = world.phase_deg
    found["azimuth_deg", "both"] = float(np.degrees(np.arctan(world.tangent)))
    to_right = complex(world.crosstalk("left", at)) / balance
    to_left = complex(world.crosstalk("right", at)) * balance
    turned = (
        (to_right + world.tangent) / (1.0 + to_left * world.tangent),
        (to_left - world.tangent) / (1.0 - to_right * world.tangent),
    )
    found["separation_balanced_db", "both"] = -float(
        _db(np.sqrt(0.5 * sum(abs(part) ** 2 for part in turned)))
    )
    for axis, hz in world.resonance_hz.items():
        found[f"resonance_{axis}_hz", axis] = hz
        stiffness = (2.0 * np.pi * hz) ** 2 * world.mass_g * 1e-3
        found["dynamic_compliance_um_per_mn", axis] = 1e3 / stiffness
    found |= _noise_truth(world)
    return found


def _noise_truth(world: World) -> dict[tuple[str, str], float]:
    axes = {axis: world.density(axis, BANDS_HZ) for axis in ("lateral", "vertical")}
    mean = 0.5 * (axes["lateral"] + axes["vertical"])
    found = {}
    heard = (BANDS_HZ >= 1.0).astype(float)
    audible = heard * (BANDS_HZ <= 20_000.0)
    for channel, density in {**axes, "left": mean, "right": mean}.items():
        power = density * WIDTHS_HZ / REFERENCE_CM_S**2
        for metric, weight_db, kept in (
            ("rumble_unweighted_db", rumble_weighting_db(BANDS_HZ, "unweighted"), heard),
            ("rumble_weighted_db", rumble_weighting_db(BANDS_HZ, "weighted"), heard),
            ("noise_a_db", a_weighting_db(BANDS_HZ), audible),
        ):
            total = float(np.sum(kept * power * 10.0 ** (weight_db / 10.0)))
            found[metric, channel] = 10.0 * np.log10(total)
        found["hum_db", channel] = 10.0 * np.log10(10.0**-5.2 + 10.0**-5.8)
        found["ticks_per_min", channel] = world.ticks_per_min
    return found


def _db(ratio: Array | float) -> Array:
    return 20.0 * np.log10(ratio)


def observe(world: World) -> dict[str, dict[str, Array]]:
    """Return the observations of one playing."""
    rng = world.rng
    off = {name: world.scatter * sd * rng.standard_normal(4) for name, sd in PLAYING.items()}
    orders = _Orders(world)
    level = dict(zip(CHANNELS, off["level_db"], strict=False))
    tilt = dict(zip(CHANNELS, off["tilt_db_octave"], strict=False))
    for driven, tone, sweep in zip(CHANNELS, TONES, SWEEPS, strict=True):
        place = CHANNELS.index(driven)
        turn = 10.0 ** (off["crosstalk_db"][place] / 20.0)
        turn = turn * np.exp(1j * np.radians(off["crosstalk_deg"][place]))
        grow = np.exp(off["harmonic"])
        for number, hz in ((tone, np.array([1000.0])), (sweep, SWEEP_HZ)):
            extra_db = level[driven] + tilt[driven] * np.maximum(np.log2(hz / 1000.0), 0.0)
            orders.driven(number, driven, hz, extra_db, turn, grow)
    orders.both(BOTH, np.array([1000.0]), level, off["phase_deg"][0])
    orders.two_tone(np.exp(off["sideband"]))
    orders.steps(np.exp(off["tracking"]))
    for axis, number in zip(("lateral", "vertical"), LOW, strict=True):
        grown = float(np.exp(off["resonance"][LOW.index(number)]))
        orders.low(number, axis, grown)
    return {
        "orders": orders.columns(),
        "speed_trace": _trace(world, off),
        "noise_density": _groove(world, off),
    }


class _Orders:
    """Rows of the orders of one playing."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.parts: dict[str, list[Array]] = {}

    def velocity(self, number: int, hz: Array) -> Array:
        """Return the rms velocity of one channel that is on the record."""
        track, world = SIDE.track(number), self.world
        peak = float(track.velocity_cm_s or 0.0)
        one = peak / np.sqrt(2.0 if track.modulation in CHANNELS else 4.0)
        off_db = world.level_db[number] + world.record_db[number](hz)
        return one * 10.0 ** (off_db / 20.0)

    def add(self, number: int, channel: str, line: tuple[int, int], hz: Array, played: Array,
            z: Array, step: bool = False) -> None:  # fmt: skip
        """Add one line of one channel, with noise."""
        rng, n = self.world.rng, len(hz)
        floor = FLOOR_FS * np.exp(0.2 * rng.standard_normal(n))
        noise = floor / np.sqrt(2.0) * (rng.standard_normal(n) + 1j * rng.standard_normal(n))
        heard = z + noise
        rows = {
            "track": np.full(n, float(number)),
            "step": np.arange(n, dtype=float) if step else np.full(n, np.nan),
            "channel": np.full(n, channel, object),
            "order": np.full(n, float(line[0])),
            "low_order": np.full(n, float(line[1])),
            "time_s": np.arange(n, dtype=float),
            "nominal_hz": hz,
            "played_hz": played,
            "amplitude_fs": np.abs(heard),
            "phase_deg": np.degrees(np.angle(heard)),
            "floor_fs": floor,
            "bandwidth_hz": np.ones(n),
            "limited": np.abs(heard) < 2.0 * floor,
        }
        for name, values in rows.items():
            self.parts.setdefault(name, []).append(values)

    def columns(self) -> dict[str, Array]:
        """Return all rows."""
        return {name: np.concatenate(parts) for name, parts in self.parts.items()}

    def driven(self, number: int, driven: str, hz: Array, extra_db: Array, turn: complex,
               grow: Array) -> None:  # fmt: skip
        """Add a tone or sweep in one wall: five orders there, crosstalk in the other."""
        world, wall = self.world, self.world.walls[driven]
        other = CHANNELS[1 - CHANNELS.index(driven)]
        played = hz * (1.0 + world.speed_pct / 100.0)
        # The groove passes by the momentary speed, in proportion.
        speed = 1.0 + 5e-4 * world.rng.standard_normal(len(hz)) + world.speed_pct / 100.0
        output = wall.sensitivity * wall.response(played) * self.velocity(number, hz) * speed
        output = output * 10.0 ** (extra_db / 20.0)
        for order in range(1, 6):
            there = order * played < 0.47 * SAMPLE_RATE_HZ
            part = np.ones(len(hz)) if order == 1 else wall.ratio(order, played) * grow[order - 2]
            z = world.heard(driven, output * part, order * played)[there].astype(complex)
            self.add(number, driven, (order, 0), hz[there], played[there], z)
        leaked = world.heard(other, output, played) * world.crosstalk(driven, played) * turn
        self.add(number, other, (1, 0), hz, played, leaked)

    def both(self, number: int, hz: Array, level: dict[str, float], phase_deg: float) -> None:
        """Add a lateral tone."""
        world = self.world
        played = hz * (1.0 + world.speed_pct / 100.0)
        for channel, wall in world.walls.items():
            output = wall.sensitivity * wall.response(played) * self.velocity(number, hz)
            output = output * (1.0 + world.speed_pct / 100.0) * 10.0 ** (level[channel] / 20.0)
            turn = np.radians(world.phase_deg + phase_deg) if channel == "right" else 0.0
            z = world.heard(channel, output, played) * np.exp(1j * turn)
            self.add(number, channel, (1, 0), hz, played, z)

    def two_tone(self, grow: Array) -> None:
        """Add the two tones and the sidebands of the high one."""
        world, hz = self.world, np.array([HIGH_HZ])
        for place, (channel, wall) in enumerate(world.walls.items()):
            high = wall.sensitivity * self.velocity(TWO, hz) * 0.2
            low = wall.sensitivity * self.velocity(TWO, np.array([LOW_HZ])) * 0.8
            lines: dict[tuple[int, int], Any] = {(1, 0): 1.0, (0, 1): low / high}
            for n, z in world.sidebands.items():
                lines[1, n] = z * grow[place]
            for (a, b), part in lines.items():
                at = np.array([a * HIGH_HZ + b * LOW_HZ])
                z = world.heard(channel, high, at) * part
                self.add(TWO, channel, (a, b), hz, hz, np.asarray(z, complex))

    def steps(self, grow: Array) -> None:
        """Add steps of amplitude, lost beyond what the wall tracks."""
        world, n = self.world, len(AMPLITUDES_UM)
        hz = np.full(n, 315.0)
        on_record = np.array(AMPLITUDES_UM) * 10.0 ** (world.level_db[STEPS] / 20.0)
        for place, (channel, wall) in enumerate(world.walls.items()):
            lost = on_record > wall.tracks_um * grow[place]
            output = 0.02 * wall.sensitivity * on_record
            for order in range(1, 6):
                part = 1.0 if order == 1 else np.where(lost, 0.25, 0.004) / (order - 1)
                z = world.heard(channel, output * part, order * hz)
                self.add(STEPS, channel, (order, 0), hz, hz, np.asarray(z, complex), step=True)

    def low(self, number: int, axis: str, grown: float) -> None:
        """Add a sweep through the resonance of arm and cartridge."""
        world, hz = self.world, LOW_SWEEP_HZ
        x = hz / (world.resonance_hz[axis] * grown)
        moves = x**2 / (1.0 - x**2 + 1j * x / world.resonance_q[axis])
        for channel, wall in world.walls.items():
            sign = -1.0 if axis == "vertical" and channel == "right" else 1.0
            output = 20.0 * wall.sensitivity * self.velocity(number, hz)
            z = sign * world.heard(channel, output, hz) * np.abs(moves)
            self.add(number, channel, (1, 0), hz, hz, np.asarray(z, complex))


def _trace(world: World, off: dict[str, Array]) -> dict[str, Array]:
    rng, n = world.rng, int(TRACE_S * TRACE_HZ)
    time_s = np.arange(n) / TRACE_HZ
    turn = 2.0 * np.pi * time_s / 1.8
    deviation = world.speed_pct + off["speed_pct"][0]
    wow = 0.08 * np.exp(off["flutter"][0])
    deviation = deviation + wow * np.sin(turn + rng.uniform(0.0, 6.0))
    hiss = np.convolve(rng.standard_normal(n + 8), np.ones(9) / 3.0, "valid")
    deviation = deviation + 0.03 * np.exp(off["flutter"][1]) * hiss
    return {
        "track": np.full(2 * n, float(SPEED)),
        "channel": np.repeat(np.array(CHANNELS, object), n),
        "time_s": np.tile(time_s, 2),
        "deviation_pct": np.tile(deviation, 2) + 0.002 * rng.standard_normal(2 * n),
    }


def _groove(world: World, off: dict[str, Array]) -> dict[str, Array]:
    rng = world.rng
    shape = np.maximum(WIDTHS_HZ * GROOVE_S, 1.0)
    axes = {}
    for place, axis in enumerate(("lateral", "vertical")):
        scattered = world.density(axis, BANDS_HZ) * rng.gamma(shape) / shape
        axes[axis] = scattered * 10.0 ** (off["noise_db"][place] / 10.0)
    lateral, vertical = axes["lateral"], axes["vertical"]
    # Left times right, on average nothing but the axes' difference; and their chance coherence.
    cross = rng.standard_normal(len(shape)) * np.sqrt(lateral * vertical / shape)
    inverse = 1.0 / np.maximum(np.abs(replay_response(np.maximum(BANDS_HZ, 1.0), "iec98")), 1e-9)
    heard_hz = np.maximum(BANDS_HZ, 1.0)
    gain = {
        c: np.abs(world.heard(c, world.walls[c].sensitivity * inverse, heard_hz)) / np.sqrt(2.0)
        for c in CHANNELS
    }
    left = gain["left"] ** 2 * np.maximum(0.5 * (lateral + vertical) + cross, 0.0)
    right = gain["right"] ** 2 * np.maximum(0.5 * (lateral + vertical) - cross, 0.0)
    product = gain["left"] * gain["right"] * 0.5 * (lateral - vertical)
    rows = {
        "left": left,
        "right": right,
        "sum": 0.5 * (left + right) + product,
        "difference": 0.5 * (left + right) - product,
    }
    n, ticks = len(shape), rng.poisson(world.ticks_per_min * GROOVE_S / 60.0)
    return {
        "track": np.full(4 * n, float(GROOVE)),
        "channel": np.repeat(np.array(list(rows), object), n),
        "frequency_hz": np.tile(BANDS_HZ, 4),
        "bandwidth_hz": np.tile(WIDTHS_HZ, 4),
        "density_fs2_per_hz": np.concatenate(list(rows.values())),
        "ticks": np.full(4 * n, float(ticks)),
        "seconds": np.full(4 * n, GROOVE_S),
    }
