"""A vector tracking filter: complex amplitudes of the orders of a fundamental whose phase wanders.

A tone from a record is x(t) = sum over n of A_n cos(2 pi n c(t) + theta_n), where c(t), in cycles,
is the played phase of the fundamental: the recorded phase warped by speed error, wow and flutter.
With c(t) known the order n is read by multiplying with exp(-2 pi j n c(t)) and low-pass filtering
with a window: neither wow nor a sweep smears it (order tracking as in rotating machinery; the
filter is that of synchronous detection).

Frames are `hop` samples apart and OVERLAP hops long, so that a window is applied as a product of
each hop with a (hop, OVERLAP) matrix, and a frame is a sum along the diagonals of the result.
"""

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.chebyshev import chebval

from grooveledger.capture.stored_samples import Samples

#: Hops a window: the frame rate is then twice the window's main lobe (+-4 bins), free of aliases.
OVERLAP = 8
#: Four-term Blackman-Harris window (Harris 1978, Proc. IEEE 66, table 1): side lobes 92 dB down.
BLACKMAN_HARRIS = (0.35875, 0.48829, 0.14128, 0.01168)
#: Samples worked on at a time: the buffers of an order stay in a core's cache.
CHUNK_SAMPLES = 1 << 14
#: Frames worked out at a time.
SECTION = 1 << 13
#: The second difference of white noise at independent lags has 1 + 1/4 + 1/4 times its power.
SECOND_DIFFERENCE_GAIN = 1.5


@dataclass(frozen=True)
class PhasePath:
    """Played phase of a fundamental, as knots of a cubic Hermite curve.

    Attributes
    ----------
    spacing : float
        Samples between knots.
    cycles : numpy.ndarray, shape (knots,)
        Phase at the knots, in cycles.
    origin : float
        Where the first knot lies, in samples.
    """

    spacing: float
    cycles: np.ndarray
    origin: float = 0.0

    def at(self, position: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the phase in cycles and its rate in cycles a sample at the given sample positions.

        Beyond its ends the curve goes on straight.
        """
        position = position - self.origin
        place = np.clip(position / self.spacing, 0.0, len(self.cycles) - 1.0)
        index = np.minimum(place.astype(np.int64), len(self.cycles) - 2)
        u = place - index
        start, stop = self.cycles[index], self.cycles[index + 1]
        m0, m1 = self._knot_steps[index], self._knot_steps[index + 1]
        # Hermite: start + u m0 + u^2 (3 d - 2 m0 - m1) + u^3 (m0 + m1 - 2 d)
        d = stop - start
        b, c = 3.0 * d - 2.0 * m0 - m1, m0 + m1 - 2.0 * d
        cycles = start + u * (m0 + u * (b + u * c))
        rate = (m0 + u * (2.0 * b + 3.0 * u * c)) / self.spacing
        return cycles + (position - place * self.spacing) * rate, rate

    @functools.cached_property
    def _knot_steps(self) -> np.ndarray:
        """Rate at the knots, in cycles from one to the next."""
        return np.gradient(self.cycles)

    def resampled(self, start: float, every: float) -> "PhasePath":
        """Return the path on samples that lie `every` of the present ones apart, from `start`."""
        return PhasePath(self.spacing / every, self.cycles, (self.origin - start) / every)


@functools.cache
def tracking_window(hop: int) -> np.ndarray:
    """Return the Blackman-Harris window of OVERLAP hops.

    Its sum is 2, so that a cosine reads its peak.
    """
    turns = (np.arange(hop * OVERLAP) + 0.5) / (hop * OVERLAP)
    # Sum of (-1)^k BLACKMAN_HARRIS[k] cos(2 pi k turns).
    window = chebval(-np.cos(2.0 * np.pi * turns), BLACKMAN_HARRIS)
    return 2.0 * window / np.sum(window)


def noise_bandwidth_hz(hop: int, sample_rate_hz: float) -> float:
    """Return the equivalent noise bandwidth of one frame, Hz.

    Rate * sum w^2 / (sum w)^2 (Harris 1978, 7).
    """
    first, *others = BLACKMAN_HARRIS
    # Over whole turns the cosines' products sum to nothing, their squares to half.
    bins = (first**2 + 0.5 * sum(weight**2 for weight in others)) / first**2
    return float(bins * sample_rate_hz / (hop * OVERLAP))


def demodulate(
    samples: Samples,
    paths: Sequence[PhasePath],
    components: Sequence[Sequence[int]],
    first: int,
    hop: int,
    frames: int,
) -> np.ndarray:
    """Return the complex amplitude of components against time.

    Parameters
    ----------
    samples : Samples, shape (channels, n)
        The stretch; samples beyond its ends count as silence.
    paths : sequence of PhasePath
        Played phase of one fundamental, or of each tone of a two-tone track.
    components : sequence of sequences of int
        Multiples of each path's phase: ((1,), (2,)) are two orders of one fundamental.
    first : int
        Centre of the first frame, in samples.
    hop, frames : int
        Samples between frames, and how many.

    Returns
    -------
    numpy.ndarray, shape (frames, components, channels), complex64
        Peak amplitude and phase relative to the component's multiple p of the paths' phase:
        A cos(p + theta) reads A exp(j theta).
    """
    sections = [
        _section(samples, paths, components, first + hop * at, hop, min(SECTION, frames - at))
        for at in range(0, max(frames, 1), SECTION)
    ]
    return np.concatenate(sections) if len(sections) > 1 else sections[0]


def _section(
    samples: Samples,
    paths: Sequence[PhasePath],
    components: Sequence[Sequence[int]],
    first: int,
    hop: int,
    frames: int,
) -> np.ndarray:
    """As `demodulate`, with the memory that `frames` times OVERLAP amplitudes take."""
    channels = samples.shape[0]
    weights = tracking_window(hop).reshape(OVERLAP, hop).T.astype(np.float32, order="C")
    blocks = frames + OVERLAP - 1
    origin = first - hop * OVERLAP // 2
    # What each hop adds to the frames that it is part of: real parts, then imaginary ones.
    partial = np.empty((len(components), 2, channels, blocks, OVERLAP), np.float32)
    # A hop ends where the next begins: the phase is looked up once at every hop's beginning.
    edges = (origin + hop * np.arange(blocks + 1)).astype(np.float64)
    phases = [path.at(edges) for path in paths]
    chunk = max(1, CHUNK_SAMPLES // hop)
    for start in range(0, blocks, chunk):
        stop = min(start + chunk, blocks)
        sound = _padded(samples, origin + hop * start, hop * (stop - start))
        sound = sound.reshape(channels, stop - start, hop)
        powers = _Powers(
            [_rotor(cycles[start : stop + 1], rate[start:stop], hop) for cycles, rate in phases]
        )
        product = np.empty((2, *sound.shape), np.float32)
        for component, into in zip(components, partial[:, :, :, start:stop], strict=True):
            np.multiply(powers.of(component)[:, np.newaxis], sound, out=product)
            into[:] = (product.reshape(-1, hop) @ weights).reshape(into.shape)
    sums = partial[..., :frames, 0].copy()
    for r in range(1, OVERLAP):
        sums += partial[..., r : r + frames, r]
    return np.ascontiguousarray((sums[:, 0] - 1j * sums[:, 1]).transpose(2, 0, 1))


class _Powers:
    """cos and sin of sums of integer multiples of phases."""

    def __init__(self, rotors: Sequence[np.ndarray]) -> None:
        self._known = {(path, 1): rotor for path, rotor in enumerate(rotors)}

    def of(self, component: Sequence[int]) -> np.ndarray:
        """Return both for a component, shape (2, hops, hop)."""
        parts = [self._power(i, n) for i, n in enumerate(component) if n]
        whole = parts[0]
        for part in parts[1:]:
            whole = _product(whole, part)
        return whole

    def _power(self, path: int, n: int) -> np.ndarray:
        """Return both for n times a phase.

        cos(a + b) = 2 cos(a) cos(b) - cos(b - a) and sin(a + b) = 2 cos(a) sin(b) - sin(b - a),
        where b is a or the next.
        """
        if n < 0:
            cosine, sine = self._power(path, -n)
            return np.stack([cosine, -sine])
        if (path, n) not in self._known:
            power = 2.0 * self._power(path, n // 2)[0] * self._power(path, n - n // 2)
            if n % 2:
                power -= self._power(path, 1)
            else:
                power[0] -= 1.0
            self._known[path, n] = power
        return self._known[path, n]


def _product(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.stack([a[0] * b[0] - a[1] * b[1], a[1] * b[0] + a[0] * b[1]])


def _rotor(edges: np.ndarray, rate: np.ndarray, hop: int) -> np.ndarray:
    """Return the cosine and sine of the phase, shape (2, hops, hop), float32.

    A parabola within each hop.

    Parameters
    ----------
    edges : numpy.ndarray, shape (hops + 1,)
        Phase where the hops begin, and where the last one ends, in cycles.
    rate : numpy.ndarray, shape (hops,)
        Cycles a sample where the hops begin.
    """
    cycles, ends = edges[:-1], edges[1:]
    bend = (ends - cycles - rate * hop) / hop**2
    i = np.arange(hop, dtype=np.float64)
    parabolas = np.stack([bend, rate, np.mod(cycles, 1.0)], axis=1)
    phase = parabolas @ np.stack([i**2, i, np.ones(hop)])
    phase -= np.rint(phase)
    phase *= 2.0 * np.pi
    angle = phase.astype(np.float32)
    rotor = np.empty((2, *angle.shape), np.float32)
    np.cos(angle, out=rotor[0])
    np.sin(angle, out=rotor[1])
    return rotor


def _padded(samples: Samples, start: int, length: int) -> np.ndarray:
    before = max(0, -start)
    after = max(0, start + length - samples.shape[1])
    inside = np.asarray(samples[:, max(start, 0) : max(start + length, 0)])
    if not before and not after:
        return inside
    return np.pad(inside, ((0, 0), (min(before, length), min(after, length))))[:, :length]


def referred(frames: np.ndarray, components: Sequence[Sequence[int]], reference: int) -> np.ndarray:
    """Turn each component to the phase that the fundamentals have in one channel.

    Parameters
    ----------
    frames : numpy.ndarray, shape (frames, components, channels)
        From `demodulate`; its first components are the fundamentals of the paths, in order.
    components : sequence of sequences of int
        As given to `demodulate`.
    reference : int
        The channel that gives the phase.
    """
    unit = np.conj(frames[:, : len(components[0]), reference])
    unit /= np.maximum(np.abs(unit), np.finfo(np.float32).tiny)
    turns = np.stack([np.prod(unit ** np.array(c), axis=1) for c in components], axis=1)
    return frames * turns[:, :, None]


def noise_power(frames: np.ndarray) -> np.ndarray:
    """Return each frame's noise power, from its second difference at the lag where windows part.

    What changes slowly over three windows cancels; noise does not. Shape as `frames`. Within a
    window of the ends a frame has the nearest second difference that it is part of.
    """
    lag = min(OVERLAP, (len(frames) - 1) // 2)
    if lag < 1:
        return np.full(frames.shape, np.nan)
    middle = frames[lag:-lag] - 0.5 * (frames[: -2 * lag] + frames[2 * lag :])
    power = np.abs(middle).astype(np.float64) ** 2 / SECOND_DIFFERENCE_GAIN
    first = np.minimum(np.arange(lag), len(power) - 1)
    return np.concatenate([power[first], power, power[::-1][first[::-1]]])


def averaging_gain(count: np.ndarray) -> np.ndarray:
    """Return the noise power of the mean of `count` frames in a row over that of one, white."""
    window = tracking_window(64)
    power = np.sum(window**2)
    lags = np.arange(1, OVERLAP)
    correlation = np.array([np.sum(window[64 * j :] * window[: -64 * j]) for j in lags]) / power
    count = np.asarray(count, np.float64)[..., None]
    taper = np.clip(1.0 - lags / count, 0.0, None)
    return (1.0 + 2.0 * np.sum(taper * correlation, axis=-1)) / count[..., 0]


def unwrapped_cycles(frames: np.ndarray) -> np.ndarray:
    """Return the phase of a run of frames in cycles, without jumps."""
    return np.unwrap(np.angle(frames.astype(np.complex128))) / (2.0 * np.pi)
