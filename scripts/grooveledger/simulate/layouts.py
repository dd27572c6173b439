"""Random record sides, and captures of them in which things went wrong, for tests of segmentation.

Lighter than a simulated capture: tones, noise and ticks with nothing of a cartridge about them.
"""

import itertools
from typing import NamedTuple

import numpy as np

from grooveledger.plan import Side, Track
from grooveledger.plan.record import Kind, Modulation

#: What may go wrong with a capture, besides ticks.
EVENTS = ("none", "left_out", "twice", "burst", "cut_short", "late", "dropout")
#: Frequencies of tones, Hz: such as test records have.
TONES_HZ = (100, 315, 400, 1000, 3000, 3150, 5000, 10000, 15000)
MODULATIONS: tuple[Modulation, ...] = ("left", "right", "lateral", "vertical")
#: Kinds of tracks, and how often each is drawn.
KINDS: tuple[Kind, ...] = (
    "tone",
    "sweep",
    "tone_steps",
    "amplitude_steps",
    "two_tone",
    "silent_groove",
)
KIND_SHARES = (0.4, 0.2, 0.1, 0.1, 0.1, 0.1)
#: Level of the undriven channel, dB.
CROSSTALK_DB = (-35.0, -14.0)
#: Noise of the groove below the tracks' level at 1 kHz, dB, over the whole band.
NOISE_DB = (-55.0, -30.0)
#: Noise of the electronics below the groove's, dB.
AIR_DB = -25.0
TICK_S = 0.002


class Placed(NamedTuple):
    """A track as it lies in the capture; `whole` where all of it is there."""

    track: int
    start_s: float
    stop_s: float
    whole: bool


class Layout(NamedTuple):
    """A capture of a random side: samples of shape (n, 2), full scale 1, and where its tracks lie.

    `event` is what went wrong; `placed` has the modulated tracks that should be found.
    """

    side: Side
    event: str
    samples: np.ndarray
    placed: tuple[Placed, ...]


def random_layout(seed: int, sample_rate_hz: int = 44_100) -> Layout:
    """Make a side, play it, and let something go wrong; all of it from the seed."""
    random = np.random.default_rng(seed)
    side = random_side(random)
    event = str(random.choice(EVENTS))
    modulated = [track for track in side.tracks if track.modulation]
    victim = modulated[int(random.integers(len(modulated)))]
    level = 10.0 ** (random.uniform(-40.0, -8.0) / 20.0)
    played: list[tuple[Track, float]] = []
    at_s = random.uniform(1.0, 4.0)
    for track in side.tracks:
        times = {"left_out": 0, "twice": 2}.get(event, 1) if track == victim else 1
        for _ in range(times):
            played.append((track, at_s))
            at_s += track.stated_duration_s + (side.gap_s or 0.0) * random.uniform(0.8, 1.2)
    end_s = at_s + random.uniform(0.0, 3.0)
    time_s = np.arange(int(end_s * sample_rate_hz)) / sample_rate_hz
    samples = _noise(random, len(time_s), level)
    speed = 1.0 + random.uniform(-0.005, 0.005)
    crosstalk = 10.0 ** (random.uniform(*CROSSTALK_DB) / 20.0)
    placed = []
    for track, start_s in played:
        if track.modulation:
            inside = slice(*np.searchsorted(time_s, (start_s, start_s + track.stated_duration_s)))
            wave = level * _wave(track, (time_s[inside] - start_s) * speed, speed)
            samples[inside] += wave[:, None] * _gains(track, crosstalk)
            placed.append(Placed(track.track, start_s, start_s + track.stated_duration_s, True))
    samples, placed = _damaged(random, event, victim, samples, placed, sample_rate_hz, level)
    return Layout(side, event, samples, tuple(placed))


def random_side(random: np.random.Generator) -> Side:
    """Make a side of four to eight tracks, no two of them alike."""
    tracks: list[Track] = []
    seen: set[tuple[object, ...]] = set()
    count = int(random.integers(4, 9))
    while len(tracks) < count:
        track = _random_track(random, len(tracks) + 1)
        key = (track.kind, track.modulation, track.frequency_hz, track.start_hz)
        if key not in seen and not (track.kind == "silent_groove" and not tracks):
            seen.add(key)
            tracks.append(track)
    return Side("random", "a", 100.0 / 3.0, float(random.uniform(1.0, 4.0)), tuple(tracks))


def _random_track(random: np.random.Generator, number: int) -> Track:
    kind = KINDS[int(random.choice(len(KINDS), p=KIND_SHARES))]
    modulation = MODULATIONS[int(random.choice(len(MODULATIONS)))]
    duration_s = float(random.uniform(3.0, 7.0))
    if kind == "silent_groove":
        return Track(number, kind, duration_s + 3.0)
    if kind == "tone":
        tone_hz = float(random.choice(TONES_HZ))
        return Track(number, kind, duration_s, modulation, frequency_hz=tone_hz)
    if kind == "two_tone":
        pair = (400.0, 4000.0)
        return Track(number, kind, duration_s, modulation, frequencies_hz=pair, ratio=4.0)
    if kind == "sweep":
        ends = (100.0, 18000.0) if random.random() < 0.6 else (25.0, 5.0)
        modulation = modulation if ends[0] > ends[1] or random.random() < 0.9 else "lateral"
        start_hz, stop_hz = ends if random.random() < 0.8 else ends[::-1]
        return Track(number, kind, duration_s + 5.0, modulation, start_hz=start_hz, stop_hz=stop_hz)
    step_s = 1.5
    if kind == "tone_steps":
        hz = tuple(float(f) for f in np.sort(random.choice(TONES_HZ, 4, replace=False)))
        return Track(number, kind, 4 * step_s, modulation, frequencies_hz=hz, step_s=step_s)
    um = (20.0, 40.0, 60.0, 80.0)
    return Track(
        number, kind, 4 * step_s, modulation, frequency_hz=315.0, amplitudes_um=um, step_s=step_s
    )


def _wave(track: Track, time_s: np.ndarray, speed: float) -> np.ndarray:
    """Sound of a track at times within it."""
    if track.kind == "sweep":
        assert track.start_hz is not None
        assert track.stop_hz is not None
        rate = np.log(track.stop_hz / track.start_hz) / track.stated_duration_s
        return np.asarray(np.sin(2.0 * np.pi * track.start_hz * np.expm1(rate * time_s) / rate))
    if track.kind == "two_tone":
        low, high = (np.sin(2.0 * np.pi * hz * time_s) for hz in track.frequencies_hz)
        return np.asarray(0.8 * low + 0.2 * high)
    steps = len(track.frequencies_hz) or len(track.amplitudes_um) or 1
    step = np.clip((time_s / speed / (track.step_s or np.inf)).astype(int), 0, steps - 1)
    hz = np.array(track.frequencies_hz or [track.frequency_hz] * steps)[step]
    size = np.array(track.amplitudes_um or [1.0] * steps) / max(track.amplitudes_um or [1.0])
    return np.asarray(size[step] * np.sin(2.0 * np.pi * hz * time_s))


def _gains(track: Track, crosstalk: float) -> np.ndarray:
    """Gains of left and right."""
    return {
        "left": np.array([1.0, crosstalk]),
        "right": np.array([crosstalk, 1.0]),
        "lateral": np.array([0.7, 0.7]),
        "vertical": np.array([0.7, -0.7]),
    }[str(track.modulation)]


def _noise(random: np.random.Generator, frames: int, level: float) -> np.ndarray:
    """Noise of a groove, louder in the bass, with its ticks; the first moment is in the air."""
    noise_db = random.uniform(*NOISE_DB)
    white = random.standard_normal((frames, 2), dtype=np.float32)
    rumble = np.repeat(random.standard_normal((frames // 400 + 1, 2)), 400, axis=0)[:frames]
    noise = level * 10.0 ** (noise_db / 20.0) * (white + 1.5 * rumble)
    for at in random.integers(0, frames, int(random.integers(0, 40))):
        noise[at : at + 90] += (
            level * random.uniform(-2.0, 2.0) * np.exp(-np.arange(90) / 20.0)[: frames - at, None]
        )
    air = int(random.integers(1, frames // 40))
    noise[:air] *= 10.0 ** (AIR_DB / 20.0)
    return np.asarray(noise)


def _damaged(
    random: np.random.Generator,
    event: str,
    victim: Track,
    samples: np.ndarray,
    placed: list[Placed],
    sample_rate_hz: int,
    level: float,
) -> tuple[np.ndarray, list[Placed]]:
    """Let the event happen to a capture."""
    if event == "twice":
        second = [one for one in placed if one.track == victim.track][1]
        return samples, [one for one in placed if one != second]
    if event == "burst":
        gaps = [(a.stop_s, b.start_s) for a, b in itertools.pairwise(placed)]
        start_s, stop_s = gaps[int(random.integers(len(gaps)))]
        first = int((0.5 * (start_s + stop_s) - 0.15) * sample_rate_hz)
        time_s = np.arange(int(0.3 * sample_rate_hz)) / sample_rate_hz
        samples[first : first + len(time_s)] += level * np.sin(4400.0 * time_s)[:, None]
    elif event == "cut_short":
        last = placed[-1]
        part = random.uniform(0.1, 0.45) + 0.5 * (random.random() < 0.5)
        stop_s = last.start_s + part * (last.stop_s - last.start_s)
        samples = samples[: int(stop_s * sample_rate_hz)]
        placed = placed[:-1] + ([last._replace(stop_s=stop_s, whole=False)] if part > 0.55 else [])
    elif event == "late":
        until_s = placed[0].stop_s + 0.3
        samples[: int(until_s * sample_rate_hz)] = 0.0
        placed = placed[1:]
    elif event == "dropout":
        one = next(one for one in placed if one.track == victim.track)
        middle = int(0.5 * (one.start_s + one.stop_s) * sample_rate_hz)
        samples[middle : middle + int(0.1 * sample_rate_hz)] *= 0.01
    return samples, placed
