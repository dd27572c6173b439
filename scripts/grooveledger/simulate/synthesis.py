"""The sound of a track: every component with its exact phase and size, sample by sample."""

import numpy as np

from grooveledger.plan import Side, Track
from grooveledger.simulate.groove import FADE_S, CutTrack
from grooveledger.simulate.modulation import (
    Piece,
    amplitudes,
    components,
    groove_speed,
    pieces,
)
from grooveledger.simulate.motion import Motion
from grooveledger.simulate.stylus import StylusTruth
from grooveledger.simulate.tracing import Contact, traced
from grooveledger.simulate.truth import TrackTruth

#: Samples between the knots at which phase and amplitudes are worked out exactly.
HOP = 64
#: Hops worked on at a time, so that buffers stay in a core's cache.
CHUNK_HOPS = 512
#: Components fade out between these parts of half the sampling rate: the converter's own filter.
PASSED, STOPPED = 0.965, 0.995


def cut(
    groove: np.ndarray,
    placed: TrackTruth,
    side: Side,
    stylus: StylusTruth,
    motion: Motion,
    sample_rate_hz: int,
) -> None:
    """Add a track's velocities to the groove, in place."""
    for piece in pieces(placed.plan):
        start_s = motion.capture_time(placed.groove_s + piece.offset_s)
        stop_s = motion.capture_time(placed.groove_s + piece.offset_s + piece.duration_s)
        first = int(np.ceil(start_s * sample_rate_hz))
        count = min(int(np.ceil(stop_s * sample_rate_hz)), groove.shape[1]) - first
        hops = -(-count // HOP)
        knots_s = (first + HOP * np.arange(hops + 1)) / sample_rate_hz
        phase = _Phase(piece, placed, motion, knots_s, sample_rate_hz)
        sizes = _sizes(piece, placed.plan, side, stylus, phase, sample_rate_hz)
        sound = np.empty((2, hops * HOP), np.float32)
        multiples = components(placed.plan)
        contact = Contact.of(stylus, side.vertical_angle_deg, groove_speed(placed.plan, side))
        tones = [multiples.index(line) for line in _tones(len(piece.laws))]
        fundamentals = sizes[tones].real.astype(float)
        if not contact.is_ideal:
            sizes[tones] = 0.0
        for a in range(0, hops, CHUNK_HOPS):
            b = min(a + CHUNK_HOPS, hops)
            part = sound[:, a * HOP : b * HOP].reshape(2, b - a, HOP)
            rotors = phase.rotors(a, b)
            _synthesise(part, multiples, rotors, sizes[:, :, a : b + 1])
            if not contact.is_ideal:
                speed, hz = _between(phase.speed[a : b + 1]), np.array(phase.nominal_hz)
                velocity = _between(fundamentals[:, :, a : b + 1]) / speed
                flat = [rotor.ravel() for rotor in rotors]
                heard = traced(flat, velocity, _between(hz[:, a : b + 1]), contact) * speed
                part += heard.reshape(part.shape)
        sound = sound[:, :count]
        time_s = np.arange(first, first + count) / sample_rate_hz
        fade_s = placed.plan.fade_s if isinstance(placed.plan, CutTrack) else FADE_S
        fade = max(int(fade_s * sample_rate_hz), 1)
        for edge in (slice(None, fade), slice(-fade, None)):
            inside = np.minimum(time_s[edge] - start_s, stop_s - time_s[edge]) / fade_s
            sound[:, edge] *= np.sin(0.5 * np.pi * np.clip(inside, 0.0, 1.0)) ** 2
        groove[:, first : first + count] += sound


def _tones(laws: int) -> list[tuple[int, ...]]:
    """Return the multiples of the laws' phases that are the tones themselves."""
    return [tuple(int(i == j) for j in range(laws)) for i in range(laws)]


def _between(knots: np.ndarray) -> np.ndarray:
    """Return the values at every sample, straight between knots, shape (..., hops * HOP)."""
    u = np.arange(HOP) / HOP
    rise = np.diff(knots, axis=-1)[..., np.newaxis]
    values = knots[..., :-1, np.newaxis] + rise * u
    return values.reshape(*knots.shape[:-1], -1)


class _Phase:
    """Phases of a piece's tones at the knots, exact, and between them as cubic Hermite curves."""

    def __init__(
        self,
        piece: Piece,
        placed: TrackTruth,
        motion: Motion,
        knots_s: np.ndarray,
        sample_rate_hz: int,
    ) -> None:
        groove_s = motion.groove_time(knots_s) - placed.groove_s - piece.offset_s
        self.speed = 1.0 + motion.deviation(knots_s)
        self.nominal_hz = tuple(law.hz(groove_s) for law in piece.laws)
        self.played_hz = tuple(hz * self.speed for hz in self.nominal_hz)
        self._cycles = [law.cycles(groove_s) for law in piece.laws]
        self._slopes = [hz * (HOP / sample_rate_hz) for hz in self.played_hz]

    def rotors(self, a: int, b: int) -> list[np.ndarray]:
        """Return exp(2 pi j phase) of each tone over hops a to b, complex64, shape (hops, HOP)."""
        u = np.arange(HOP) / HOP
        result = []
        for cycles, slopes in zip(self._cycles, self._slopes, strict=True):
            m0, m1 = slopes[a:b, None], slopes[a + 1 : b + 1, None]
            rise = np.diff(cycles[a : b + 1])[:, None]
            bend, twist = 3.0 * rise - 2.0 * m0 - m1, m0 + m1 - 2.0 * rise
            phase = np.mod(cycles[a:b, None], 1.0) + u * (m0 + u * (bend + u * twist))
            phase -= np.rint(phase)
            angle = (2.0 * np.pi * phase).astype(np.float32)
            rotor = np.empty(angle.shape, np.complex64)
            np.cos(angle, out=rotor.real)
            np.sin(angle, out=rotor.imag)
            result.append(rotor)
        return result


def _sizes(
    piece: Piece,
    track: Track,
    side: Side,
    stylus: StylusTruth,
    phase: _Phase,
    sample_rate_hz: int,
) -> np.ndarray:
    """Return the components' complex velocities at the knots, complex64, (components, 2, knots)."""
    sizes = amplitudes(track, side, stylus, phase.nominal_hz, phase.played_hz, piece.amplitude_um)
    sizes *= phase.speed
    for i, multiple in enumerate(components(track)):
        hz = sum(n * played for n, played in zip(multiple, phase.played_hz, strict=True))
        beyond = (np.asarray(hz) / (0.5 * sample_rate_hz) - PASSED) / (STOPPED - PASSED)
        sizes[i] *= np.cos(0.5 * np.pi * np.clip(beyond, 0.0, 1.0)) ** 2
    return sizes.astype(np.complex64)


def _synthesise(
    part: np.ndarray,
    multiples: tuple[tuple[int, ...], ...],
    rotors: list[np.ndarray],
    sizes: np.ndarray,
) -> None:
    """Sum the components into `part`, shape (2, hops, HOP)."""
    part[:] = 0.0
    u = (np.arange(HOP) / HOP).astype(np.float32)
    powers = {(i, 1): rotor for i, rotor in enumerate(rotors)}
    for c, multiple in enumerate(multiples):
        if not np.any(sizes[c]):
            continue
        wave = None
        for i, n in enumerate(multiple):
            if n:
                power = _power(powers, i, abs(n))
                power = power if n > 0 else np.conj(power)
                wave = power if wave is None else wave * power
        assert wave is not None
        for wall in range(2):
            size = sizes[c, wall]
            if np.any(size):
                slope = np.diff(size)[:, None] * u
                real = size.real[:-1, None] + slope.real
                imaginary = size.imag[:-1, None] + slope.imag
                part[wall] += real * wave.real - imaginary * wave.imag


def _power(powers: dict[tuple[int, int], np.ndarray], tone: int, n: int) -> np.ndarray:
    if (tone, n) not in powers:
        powers[tone, n] = _power(powers, tone, n - 1) * powers[tone, 1]
    return powers[tone, n]
