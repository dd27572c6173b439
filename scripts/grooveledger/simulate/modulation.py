"""What is cut into the groove: each track's phase, velocity and the products that tracing adds."""

from dataclasses import dataclass
from functools import partial

import numpy as np

from grooveledger.physics.equalisation import recorded_velocity_db
from grooveledger.physics.groove import groove_speed_cm_s
from grooveledger.plan import Side, Track
from grooveledger.simulate.groove import CutTrack
from grooveledger.simulate.stylus import (
    ORDERS,
    StylusTruth,
    harmonic_ratios,
    mistracking_ratios,
    scanning_loss,
)

#: Radius of a track that the plan gives none, mm: the middle of a 30 cm side.
DEFAULT_RADIUS_MM = 103.0
#: Peak velocity of a track that the plan gives none (a speed tone needs none), cm/s.
DEFAULT_VELOCITY_CM_S = 5.0
#: Left and right velocity for a unit velocity along the modulation's axis (walls at 45 degrees).
AXES = {
    "left": (1.0, 0.0),
    "right": (0.0, 1.0),
    "lateral": (np.sqrt(0.5), np.sqrt(0.5)),
    "vertical": (np.sqrt(0.5), -np.sqrt(0.5)),
}
#: A bent law's frequency is integrated in this many cells of a sweep, at this many points each: a
#: cell covers a hundredth of an octave and less, and the error lies below 1e-12 of the phase.
QUADRATURE_CELLS, QUADRATURE_NODES = 1000, 6
#: Multiples of (high, low) phase on a two-tone track: tones, their harmonics, sidebands.
TWO_TONE_COMPONENTS = (
    *((1, 0), (0, 1), (2, 0), (3, 0), (0, 2), (0, 3)),
    *((1, -1), (1, 1), (1, -2), (1, 2)),
)


@dataclass(frozen=True)
class Law:
    """Recorded phase of one tone: a constant frequency, or a sweep over `duration_s`.

    A sweep covers its span (of log frequency, or of frequency) as x + 4 bend x (1 - x), x from 0 to
    1 in time: `bend` is the part of the span by which it is ahead of a straight law halfway.
    """

    start_hz: float
    stop_hz: float
    duration_s: float
    logarithmic: bool = True
    bend: float = 0.0

    def cycles(self, groove_s: np.ndarray) -> np.ndarray:
        """Return the phase in cycles at a recorded time after the piece's start."""
        if self.start_hz == self.stop_hz:
            return self.start_hz * groove_s
        if self.bend:
            return self._integrated(groove_s)
        if self.logarithmic:
            growth = np.log(self.stop_hz / self.start_hz) / self.duration_s
            return self.start_hz / growth * np.expm1(growth * groove_s)
        slope = (self.stop_hz - self.start_hz) / self.duration_s
        return groove_s * (self.start_hz + 0.5 * slope * groove_s)

    def hz(self, groove_s: np.ndarray) -> np.ndarray:
        """Return the recorded frequency at a recorded time after the piece's start."""
        x = groove_s / self.duration_s
        covered = x * (1.0 + 4.0 * self.bend * (1.0 - x))
        if self.logarithmic:
            return self.start_hz * (self.stop_hz / self.start_hz) ** covered
        return self.start_hz + (self.stop_hz - self.start_hz) * covered

    def _integrated(self, groove_s: np.ndarray) -> np.ndarray:
        """Integrate the frequency from 0 by Gauss-Legendre quadrature in short cells."""
        nodes, weights = np.polynomial.legendre.leggauss(QUADRATURE_NODES)
        nodes, weights = 0.5 * (nodes + 1.0), 0.5 * weights
        cell_s = self.duration_s / QUADRATURE_CELLS
        first = int(np.floor(np.min(groove_s) / cell_s))
        cells = np.arange(first, int(np.floor(np.max(groove_s) / cell_s)) + 1)
        whole = self.hz((cells[:, None] + nodes) * cell_s) @ weights * cell_s
        before = np.concatenate([[0.0], np.cumsum(whole)])
        before -= np.interp(0.0, np.append(cells, cells[-1] + 1), before)
        cell = np.floor(groove_s / cell_s).astype(int)
        part_s = groove_s - cell * cell_s
        inside = self.hz((cell * cell_s)[:, None] + part_s[:, None] * nodes) @ weights
        return before[cell - first] + part_s * inside


@dataclass(frozen=True)
class Piece:
    """A stretch of a track with one phase law (a whole tone or sweep, or one step).

    `laws` are the tones, (high, low) on a two-tone track; `amplitude_um` is that of an amplitude
    step.
    """

    offset_s: float
    duration_s: float
    laws: tuple[Law, ...]
    amplitude_um: float | None = None


def cut_duration_s(track: Track) -> float:
    """Return the length of a track in recorded time, with its pilot tone."""
    return track.stated_duration_s + (track.pilot_s or 0.0)


def pieces(track: Track) -> tuple[Piece, ...]:
    """Cut a track into its pieces, in recorded time; none for a silent groove, noise and speech."""
    whole = partial(Piece, 0.0, track.stated_duration_s)
    if track.kind == "tone":
        hz = _given(track.frequency_hz)
        return (whole((Law(hz, hz, track.stated_duration_s),)),)
    if track.kind == "sweep":
        log = track.law == "log"
        bend = track.bend if isinstance(track, CutTrack) else 0.0
        law = Law(_given(track.start_hz), _given(track.stop_hz), track.stated_duration_s, log, bend)
        if not track.pilot_hz:
            return (whole((law,)),)
        pilot_s = _given(track.pilot_s)
        pilot = Piece(0.0, pilot_s, (Law(track.pilot_hz, track.pilot_hz, pilot_s),))
        return pilot, Piece(pilot_s, track.stated_duration_s, (law,))
    if track.kind == "two_tone":
        low, high = track.frequencies_hz
        tones = (Law(high, high, track.stated_duration_s), Law(low, low, track.stated_duration_s))
        return (whole(tones),)
    if track.kind == "tone_steps":
        step_s = track.step_s or track.stated_duration_s / len(track.frequencies_hz)
        return tuple(
            Piece(i * step_s, step_s, (Law(hz, hz, step_s),))
            for i, hz in enumerate(track.frequencies_hz)
        )
    if track.kind == "amplitude_steps":
        hz = _given(track.frequency_hz)
        step_s = track.step_s or track.stated_duration_s / len(track.amplitudes_um)
        return tuple(
            Piece(i * step_s, step_s, (Law(hz, hz, step_s),), amplitude_um)
            for i, amplitude_um in enumerate(track.amplitudes_um)
        )
    return ()


def groove_speed(track: Track, side: Side) -> float:
    """Return the nominal speed of the groove at the track's radius, cm/s."""
    return float(groove_speed_cm_s(track.radius_mm or DEFAULT_RADIUS_MM, side.rpm))


def recorded_velocity(
    track: Track,
    side: Side,
    nominal_hz: np.ndarray,
    amplitude_um: float | None = None,
    calibrated: bool = True,
) -> np.ndarray:
    """Return the peak velocity along the track's axis as cut, cm/s, at recorded frequencies.

    `calibrated` includes the record's own deviations; without it the value is the plan's.
    """
    if amplitude_um is not None:
        velocity = 2.0 * np.pi * nominal_hz * amplitude_um * 1e-4
    else:
        to_peak = np.sqrt(2.0) if track.velocity_measure == "rms" else 1.0
        law_db = recorded_velocity_db(nominal_hz, track.recorded)
        velocity = (
            (track.velocity_cm_s or DEFAULT_VELOCITY_CM_S) * to_peak * 10.0 ** (law_db / 20.0)
        )
    rows = [(hz, db) for number, hz, db in side.calibration if number == track.track]
    if rows and calibrated:
        hz, db = np.array(sorted(rows)).T
        velocity = velocity * 10.0 ** (np.interp(np.log(nominal_hz), np.log(hz), db) / 20.0)
    return velocity


def components(track: Track) -> tuple[tuple[int, ...], ...]:
    """Return the multiples of the laws' phases that a track gives rise to."""
    if track.kind == "two_tone":
        return TWO_TONE_COMPONENTS
    return ((1,), *((order,) for order in ORDERS))


def amplitudes(
    track: Track,
    side: Side,
    stylus: StylusTruth,
    nominal_hz: tuple[np.ndarray, ...],
    played_hz: tuple[np.ndarray, ...],
    amplitude_um: float | None = None,
) -> np.ndarray:
    """Return complex peak velocities of the components that reach the stylus, at the plan's speed.

    Parameters
    ----------
    nominal_hz, played_hz : tuple of ndarray, shape (n,)
        Recorded and played frequency of each law, as in `Piece.laws`.
    amplitude_um : float, optional
        Amplitude of an amplitude step.

    Returns
    -------
    ndarray of complex, shape (components, 2, n)
        cm/s in the left and right wall, before the cartridge's response; the played speed's factor
        on velocity is not in it.
    """
    axis = np.array(AXES[track.modulation or "lateral"])
    if track.kind == "two_tone":
        ratio = _given(track.ratio)
        shares = [1.0 / (1.0 + ratio), ratio / (1.0 + ratio)]
    else:
        shares = [1.0]
    tones = [
        share * recorded_velocity(track, side, hz, amplitude_um)
        for share, hz in zip(shares, nominal_hz, strict=True)
    ]
    multiples = components(track)
    result = np.zeros((len(multiples), 2, len(nominal_hz[0])), complex)
    speed = groove_speed(track, side)
    place = {multiple: i for i, multiple in enumerate(multiples)}
    for i, (velocity, played) in enumerate(zip(tones, played_hz, strict=True)):
        amplitude = velocity / (2.0 * np.pi * played) * 1e4
        for wall in range(2):
            if not axis[wall]:
                continue
            ratios = harmonic_ratios(played, axis[wall] * velocity, stylus)
            ratios = ratios + mistracking_ratios(amplitude, stylus.tracked_amplitude_um[wall])
            for order, factor in zip((1, *ORDERS), (1.0, *ratios), strict=True):
                multiple = tuple(order if j == i else 0 for j in range(len(tones)))
                if multiple in place:
                    result[place[multiple], wall] = axis[wall] * velocity * factor
    for distance, pct in enumerate(stylus.intermodulation_pct, start=1):
        if track.kind == "two_tone":
            for sign in (-1, 1):
                turned = np.exp(1j * np.radians(sign * 35.0 * distance))
                size = 0.5 * pct / 100.0 * turned * tones[0]
                result[place[1, sign * distance]] = np.multiply.outer(axis, size)
    for i, multiple in enumerate(multiples):
        hz = sum(n * played for n, played in zip(multiple, played_hz, strict=True))
        result[i] *= scanning_loss(np.asarray(hz), stylus, speed)
    return result


def _given(value: float | None) -> float:
    if value is None:
        raise ValueError("the plan lacks a value that this kind of track needs")
    return float(value)
