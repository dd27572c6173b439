"""From a side, a stylus and a chain to the samples that a recorder would write."""

import math
import os
from pathlib import Path

import numpy as np
import scipy.fft as fft
import soundfile as sf

from grooveledger.equalisation import replay_response
from grooveledger.plan import Chain, Side, Track
from grooveledger.simulate.conditions import Conditions
from grooveledger.simulate.modulation import Piece, amplitudes, components, pieces
from grooveledger.simulate.motion import Motion
from grooveledger.simulate.noise import (
    add_needle_drop,
    add_ticks,
    axis_density,
    hiss_density,
    hum_mv,
    tick_times,
)
from grooveledger.simulate.stylus import StylusTruth, terminals_matrix
from grooveledger.simulate.truth import CaptureTruth, TrackTruth

#: Samples between the knots at which phase and amplitudes are worked out exactly.
HOP = 64
#: Hops worked on at a time, so that buffers stay in a core's cache.
CHUNK_HOPS = 512
#: Each piece of modulation comes and goes within this time, as a raised cosine.
FADE_S = 0.004
#: Components fade out between these parts of half the sampling rate: the converter's own filter.
PASSED, STOPPED = 0.965, 0.995
#: Length of a filter block and of the tail kept for its ringing (an arm resonance of Q 4 at 7 Hz
#: is 60 dB down after 1.3 s), s.
BLOCK_S, TAIL_S = 12.0, 1.5
#: Formats by file name and by the name of the sample format.
FORMATS = {
    ".wav": "WAV",
    ".flac": "FLAC",
    ".aiff": "AIFF",
    ".w64": "W64",
    ".rf64": "RF64",
    ".caf": "CAF",
}
#: Of a FLAC file, 0 to 1: the quickest; noise does not compress anyway.
COMPRESSION = 0.0
SUBTYPES = {"16": "PCM_16", "24": "PCM_24", "32": "PCM_32", "float": "FLOAT"}


def simulate_capture(
    side: Side,
    stylus: StylusTruth,
    chain: Chain,
    conditions: Conditions,
    sample_rate_hz: int,
    seed: int,
) -> tuple[np.ndarray, CaptureTruth]:
    """Play a record side and record it.

    Parameters
    ----------
    side : Side
        What is cut; its calibration deviations are in the groove. Tracks may be repeated, left out
        or reordered as a test likes.
    stylus, chain, conditions
        On what, and how, it is played.
    sample_rate_hz : int
        Of the file.
    seed : int
        The same seed and arguments give the same samples.

    Returns
    -------
    samples : ndarray of float64, shape (n, 2)
        The file's left and right channel, full scale 1, clipped there.
    truth : CaptureTruth
        Where everything lies, and every figure that a measurement should find.
    """
    truth = plan_capture(side, stylus, chain, conditions, seed)
    return render_capture(truth, sample_rate_hz, seed).astype(np.float64), truth


def plan_capture(
    side: Side, stylus: StylusTruth, chain: Chain, conditions: Conditions, seed: int
) -> CaptureTruth:
    """Say what `simulate_capture` would play, and its truth, without making the sound."""
    motion = Motion.of(conditions, side.rpm, seed)
    tracks, end_s = _lay_out(side, conditions, motion, seed)
    ticks_s, _ = tick_times(conditions, conditions.needle_drop_s, end_s, seed)
    return CaptureTruth(
        side, stylus, chain, conditions, motion, tuple(tracks), end_s, tuple(ticks_s)
    )


def render_capture(truth: CaptureTruth, sample_rate_hz: int, seed: int) -> np.ndarray:
    """Make the samples of a planned capture, float32; `seed` is the plan's."""
    conditions, stylus = truth.conditions, truth.stylus
    groove = np.zeros((2, int(np.ceil(truth.duration_s * sample_rate_hz))), np.float32)
    for placed in truth.tracks:
        _cut(groove, placed, truth.side, stylus, truth.motion, sample_rate_hz)
    ticks = tick_times(conditions, conditions.needle_drop_s, truth.duration_s, seed)
    add_ticks(groove, *ticks, sample_rate_hz)
    add_needle_drop(groove, conditions, sample_rate_hz, seed)
    volts = _play(groove, stylus, truth.chain, conditions, sample_rate_hz, seed)
    return _convert(volts, truth.chain, conditions)


def write_capture(
    path: str | Path, samples: np.ndarray, sample_rate_hz: int, bits: str = "24"
) -> None:
    """Write a capture whole or not at all; the format follows from the name's ending.

    Parameters
    ----------
    path : str or Path
        Ending in .wav, .flac, .aiff, .w64, .rf64 or .caf.
    samples : ndarray, shape (n, channels)
        Full scale 1.
    bits : {'16', '24', '32', 'float'}
        Sample format.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    scratch = path.with_name(f".{path.name}.part")
    try:
        sf.write(
            scratch,
            samples,
            sample_rate_hz,
            subtype=SUBTYPES[bits],
            format=FORMATS[path.suffix.lower()],
            compression_level=COMPRESSION if path.suffix.lower() == ".flac" else None,
        )
        os.replace(scratch, path)
    finally:
        scratch.unlink(missing_ok=True)


def _lay_out(
    side: Side, conditions: Conditions, motion: Motion, seed: int
) -> tuple[list[TrackTruth], float]:
    """Place the tracks on the capture's time axis."""
    spread = np.random.default_rng([seed, 0]).uniform(-1.0, 1.0, max(len(side.tracks) - 1, 0))
    gaps_s = side.gap_s * (1.0 + conditions.gap_spread * spread)
    drop = float(motion.groove_time(conditions.needle_drop_s))
    groove_s = drop + conditions.lead_in_s
    placed = []
    for i, track in enumerate(side.tracks):
        stop_s = groove_s + track.duration_s
        placed.append(
            TrackTruth(
                track.track,
                track.kind,
                motion.capture_time(groove_s),
                motion.capture_time(stop_s),
                groove_s,
                track,
            )
        )
        groove_s = stop_s + (gaps_s[i] if i < len(gaps_s) else 0.0)
    end_s = motion.capture_time(groove_s + conditions.lead_out_s)
    return _widen_silent_grooves(placed, end_s), end_s


def _widen_silent_grooves(placed: list[TrackTruth], end_s: float) -> list[TrackTruth]:
    """A silent groove reaches from the end of the track before it to the start of the next."""
    result = []
    for i, one in enumerate(placed):
        if one.kind == "silent_groove":
            start_s = placed[i - 1].stop_s if i else one.start_s
            stop_s = placed[i + 1].start_s if i + 1 < len(placed) else one.stop_s
            one = one._replace(start_s=start_s, stop_s=stop_s)
        result.append(one)
    return result


def _cut(
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
        for a in range(0, hops, CHUNK_HOPS):
            b = min(a + CHUNK_HOPS, hops)
            part = sound[:, a * HOP : b * HOP].reshape(2, b - a, HOP)
            _synthesise(part, multiples, phase.rotors(a, b), sizes[:, :, a : b + 1])
        sound = sound[:, :count]
        time_s = np.arange(first, first + count) / sample_rate_hz
        fade = max(int(FADE_S * sample_rate_hz), 1)
        for edge in (slice(None, fade), slice(-fade, None)):
            inside = np.minimum(time_s[edge] - start_s, stop_s - time_s[edge]) / FADE_S
            sound[:, edge] *= np.sin(0.5 * np.pi * np.clip(inside, 0.0, 1.0)) ** 2
        groove[:, first : first + count] += sound


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
        """exp(2 pi j phase) of each tone over hops a to b, complex64, shape (hops, HOP)."""
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
    """Complex velocities of the components at the knots, complex64, (components, 2, knots)."""
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


def _play(
    groove: np.ndarray,
    stylus: StylusTruth,
    chain: Chain,
    conditions: Conditions,
    sample_rate_hz: int,
    seed: int,
) -> np.ndarray:
    """Cartridge and preamplifier as linear filters on long blocks; volts, float32, (2, n).

    Groove noise enters as velocity, hiss and hum as voltage at the preamplifier's input.
    """
    frames = groove.shape[1]
    tail = int(TAIL_S * sample_rate_hz)
    size = fft.next_fast_len(int(min(BLOCK_S * sample_rate_hz, frames)) + 2 * tail, real=True)
    block = size - 2 * tail
    hz = np.fft.rfftfreq(size, 1.0 / sample_rate_hz)
    preamplifier = _preamplifier(hz, chain)
    matrix = terminals_matrix(np.maximum(hz, 1e-6), stylus, chain) * preamplifier
    density = np.sqrt(axis_density(np.maximum(hz, 1e-6), conditions) * sample_rate_hz / 2.0)
    swing = np.sqrt(0.5) * density
    noise_matrix = np.array(
        [[(row[0] + row[1]) * swing[0], (row[0] - row[1]) * swing[1]] for row in matrix]
    ).astype(np.complex64)
    matrix = matrix.astype(np.complex64)
    has_noise = bool(np.any(density))
    hiss = float(np.sqrt(hiss_density(stylus, conditions) * sample_rate_hz / 2.0))
    hiss_gain = (hiss * preamplifier).astype(np.complex64)
    generator = np.random.default_rng([seed, 4])
    volts = np.zeros((2, frames + 2 * tail), np.float32)
    landed = int(conditions.needle_drop_s * sample_rate_hz)
    for start in range(0, frames, block):
        stop = min(start + block, frames)
        spectrum = fft.rfft(groove[:, start:stop], size)
        output = _applied(matrix, spectrum)
        if has_noise:
            white = generator.standard_normal((2, stop - start), np.float32)
            white[:, : max(landed - start, 0)] = 0.0
            output += _applied(noise_matrix, fft.rfft(white, size))
        if hiss:
            white = generator.standard_normal((2, stop - start), np.float32)
            output += hiss_gain * fft.rfft(white, size)
        heard = fft.irfft(output, size)
        # what a filter that ends at half the rate does ahead of time lies at the block's end
        volts[:, start + tail : stop + 2 * tail] += heard[:, : stop - start + tail]
        volts[:, start : start + tail] += heard[:, size - tail :]
    volts = volts[:, tail : tail + frames]
    _add_hum(volts, stylus, chain, conditions, sample_rate_hz)
    return volts


def _applied(matrix: np.ndarray, spectrum: np.ndarray) -> np.ndarray:
    """Product of a (2, 2, n) matrix and a (2, n) spectrum at each frequency."""
    return np.asarray(matrix[:, 0] * spectrum[0] + matrix[:, 1] * spectrum[1])


def _preamplifier(hz: np.ndarray, chain: Chain) -> np.ndarray:
    """Volts out per mV in: gain, replay equalisation and the preamplifier's own deviation."""
    gain = 1e-3 * 10.0 ** (chain.gain_db / 20.0) * replay_response(hz, chain.equalisation)
    if chain.preamplifier_response:
        rows_hz, rows_db = np.array(sorted(chain.preamplifier_response)).T
        deviation_db = np.interp(np.log(np.maximum(hz, 1e-3)), np.log(rows_hz), rows_db)
        gain = gain * 10.0 ** (deviation_db / 20.0)
    return np.asarray(gain)


def _add_hum(
    volts: np.ndarray,
    stylus: StylusTruth,
    chain: Chain,
    conditions: Conditions,
    sample_rate_hz: int,
) -> None:
    if conditions.hum_db is None:
        return
    orders = np.arange(1, 11)
    hz = conditions.mains_hz * orders
    sizes = hum_mv(stylus, conditions) * _preamplifier(hz, chain)
    # sampling rate and mains have a short common period: one, repeated
    period = sample_rate_hz // math.gcd(sample_rate_hz, int(conditions.mains_hz))
    time_s = np.arange(period) / sample_rate_hz
    waves = np.exp(2j * np.pi * np.multiply.outer(hz, time_s))
    wave = np.sum(np.real(sizes[:, None] * waves), axis=0).astype(np.float32)
    for first in range(0, volts.shape[1], period):
        part = volts[:, first : first + period]
        part += wave[: part.shape[1]]


def _convert(volts: np.ndarray, chain: Chain, conditions: Conditions) -> np.ndarray:
    """Polarity, channel order, offset and full scale of the converter; samples (n, 2)."""
    volts /= np.float32(chain.full_scale_v_rms * np.sqrt(2.0))
    for name in chain.invert:
        volts[("left", "right").index(name)] *= -1.0
    if chain.swap_channels:
        volts = volts[::-1]
    volts += np.array(conditions.dc, np.float32)[:, None]
    np.clip(volts, -1.0, 1.0, out=volts)
    return np.ascontiguousarray(volts.T)
