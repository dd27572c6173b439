"""Random record sides, and captures of them in which things went wrong, for tests of segmentation.

Lighter than a simulated capture: tones, noise and ticks with nothing of a cartridge about them.
"""

import itertools
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from grooveledger.plan import Side, Track
from grooveledger.plan.record import Colour, Kind, Modulation

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
    "noise",
    "silent_groove",
    "other",
)
KIND_SHARES = (0.35, 0.2, 0.1, 0.08, 0.07, 0.05, 0.1, 0.05)
#: How far a sleeve is off: durations, tones, ends of sweeps (fractions); and how often it states a
#: duration or the gap at all.
DURATION_OFF, TONE_OFF, END_OFF, STATED_SHARE = 0.1, 0.02, 0.06, 0.7
#: A sweep's law is bent by up to this part of its duration.
BEND = 0.04
#: Part of the sweeps that have a pilot tone.
PILOT_SHARE = 0.2
#: The needle's thump: its greatest level above the tracks', decay and pitch.
THUMP_DB, THUMP_S, THUMP_HZ = 6.0, 0.08, 40.0
#: After so many times its decay nothing of it is left, 347 dB down.
THUMP_ENDS = 40.0
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

    `side` is the description, which deviates from what was cut as sleeves do. `event` is what went
    wrong; `placed` has the sounding tracks to locate, `silent` the silent grooves.
    """

    side: Side
    event: str
    samples: np.ndarray
    placed: tuple[Placed, ...]
    silent: tuple[Placed, ...]


def random_layout(seed: int, sample_rate_hz: int = 44_100, exact: bool = False) -> Layout:
    """Make a side, play it, and let something go wrong; all of it from the seed.

    `exact` leaves out the deviations of the description from what was cut.
    """
    random = np.random.default_rng(seed)
    cut = random_side(random)
    side = cut if exact else described(random, cut)
    event = str(random.choice(EVENTS))
    sounding = [track for track in cut.tracks if track.kind != "silent_groove"]
    victim = sounding[int(random.integers(len(sounding)))]
    level = 10.0 ** (random.uniform(-40.0, -8.0) / 20.0)
    played: list[tuple[Track, float]] = []
    drop_s = at_s = random.uniform(0.6, 1.2)
    at_s += random.uniform(0.5, 3.0)
    for track in cut.tracks:
        times = {"left_out": 0, "twice": 2}.get(event, 1) if track == victim else 1
        for _ in range(times):
            played.append((track, at_s))
            at_s += track.stated_duration_s + (cut.gap_s or 0.0) * random.uniform(0.8, 1.2)
    end_s = at_s + random.uniform(0.0, 3.0)
    time_s = np.arange(int(end_s * sample_rate_hz)) / sample_rate_hz
    samples = _noise(random, len(time_s), level)
    _drop(random, samples, drop_s, level, sample_rate_hz)
    speed = 1.0 + random.uniform(-0.01, 0.01)
    crosstalk = 10.0 ** (random.uniform(*CROSSTALK_DB) / 20.0)
    placed, silent = [], []
    for track, start_s in played:
        stop_s = start_s + track.stated_duration_s
        if track.kind == "silent_groove":
            silent.append(Placed(track.track, start_s, stop_s, True))
            continue
        inside = slice(*np.searchsorted(time_s, (start_s, stop_s)))
        wave = level * sound_of(track, (time_s[inside] - start_s) * speed, speed, random)
        samples[inside] += wave[:, None] * gains(track, crosstalk)
        pilot_s = track.pilot_s or 0.0
        placed.append(Placed(track.track, start_s + pilot_s, stop_s, True))
    samples, placed = _damaged(random, event, victim, samples, placed, sample_rate_hz, level)
    return Layout(side, event, samples, tuple(placed), tuple(silent))


def described(random: np.random.Generator, cut: Side) -> Side:
    """Describe a side as a sleeve would: durations and frequencies are off, or not stated."""
    tracks = []
    for track in cut.tracks:
        facts: dict[str, Any] = {}
        duration_s = track.stated_duration_s - (track.pilot_s or 0.0)
        stated = random.random() < STATED_SHARE or track.kind == "silent_groove"
        facts["duration_s"] = duration_s * _off(random, DURATION_OFF) if stated else None
        if track.pilot_s:
            facts["pilot_s"] = None
        if track.frequency_hz:
            facts["frequency_hz"] = track.frequency_hz * _off(random, TONE_OFF)
        if track.start_hz and track.stop_hz:
            facts["start_hz"] = track.start_hz * _off(random, END_OFF)
            facts["stop_hz"] = track.stop_hz * _off(random, END_OFF)
        if track.step_s:
            facts["step_s"] = track.step_s * _off(random, DURATION_OFF)
            facts["duration_s"] = track.steps * facts["step_s"]
        if track.kind == "tone_steps":
            facts["frequencies_hz"] = tuple(
                hz * _off(random, TONE_OFF) for hz in track.frequencies_hz
            )
        tracks.append(replace(track, **facts))
    gap_s = cut.gap_s if random.random() < STATED_SHARE else None
    return replace(cut, gap_s=gap_s, tracks=tuple(tracks))


def _off(random: np.random.Generator, part: float) -> float:
    return 1.0 + float(random.uniform(-part, part))


def random_side(random: np.random.Generator) -> Side:
    """Make a side of four to eight tracks, no two of them alike."""
    tracks: list[Track] = []
    seen: set[tuple[object, ...]] = set()
    count = int(random.integers(4, 9))
    while len(tracks) < count:
        track = _random_track(random, len(tracks) + 1)
        key = (track.kind, track.modulation, track.frequency_hz, track.start_hz)
        if key not in seen and not (track.kind in ("silent_groove", "other") and not tracks):
            seen.add(key)
            tracks.append(track)
    return Side("random", "a", 100.0 / 3.0, float(random.uniform(1.0, 4.0)), tuple(tracks))


def _random_track(random: np.random.Generator, number: int) -> Track:
    kind = KINDS[int(random.choice(len(KINDS), p=KIND_SHARES))]
    modulation = MODULATIONS[int(random.choice(len(MODULATIONS)))]
    duration_s = float(random.uniform(3.0, 7.0))
    if kind in ("silent_groove", "other"):
        return Track(number, kind, duration_s + 3.0)
    if kind == "noise":
        colour: Colour = "pink" if random.random() < 0.5 else "white"
        return Track(number, kind, duration_s, modulation, colour=colour)
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
        has_pilot = ends[0] == 100.0 and random.random() < PILOT_SHARE
        pilot_s = float(random.uniform(1.5, 3.0)) if has_pilot else 0.0
        return Track(
            number,
            kind,
            duration_s + 5.0 + pilot_s,
            modulation,
            start_hz=start_hz,
            stop_hz=stop_hz,
            pilot_hz=1000.0 if has_pilot else None,
            pilot_s=pilot_s or None,
        )
    step_s = 1.5
    if kind == "tone_steps":
        hz = tuple(float(f) for f in np.sort(random.choice(TONES_HZ, 4, replace=False)))
        return Track(number, kind, 4 * step_s, modulation, frequencies_hz=hz, step_s=step_s)
    um = (20.0, 40.0, 60.0, 80.0)
    return Track(
        number, kind, 4 * step_s, modulation, frequency_hz=315.0, amplitudes_um=um, step_s=step_s
    )


def sound_of(
    track: Track, time_s: np.ndarray, speed: float, random: np.random.Generator
) -> np.ndarray:
    """Return the sound of a track at times within it."""
    if track.kind == "sweep":
        return _sweep(track, time_s, random)
    if track.kind == "two_tone":
        low, high = (np.sin(2.0 * np.pi * hz * time_s) for hz in track.frequencies_hz)
        return 0.8 * low + 0.2 * high
    if track.kind == "noise":
        return _coloured(random, len(time_s), track.colour)
    if track.kind == "other":
        return speech(random, time_s)
    steps = track.steps
    step = np.clip((time_s / speed / (track.step_s or np.inf)).astype(int), 0, steps - 1)
    hz = np.array(track.frequencies_hz or [track.frequency_hz] * steps)[step]
    size = np.array(track.amplitudes_um or [1.0] * steps) / max(track.amplitudes_um or [1.0])
    return size[step] * np.sin(2.0 * np.pi * hz * time_s)


def _sweep(track: Track, time_s: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Return the sound of a sweep whose law is bent, after its pilot tone."""
    assert track.start_hz
    assert track.stop_hz
    pilot_s = track.pilot_s or 0.0
    part = np.clip((time_s - pilot_s) / (track.stated_duration_s - pilot_s), 0.0, None)
    part = part + random.uniform(-BEND, BEND) * 4.0 * part * (1.0 - part)
    hz = track.start_hz * (track.stop_hz / track.start_hz) ** part
    if track.pilot_hz:
        hz[time_s < pilot_s] = track.pilot_hz
    return np.sin(2.0 * np.pi * np.cumsum(hz) * (time_s[1] - time_s[0]))


def _coloured(random: np.random.Generator, frames: int, colour: Colour | None) -> np.ndarray:
    spectrum = np.fft.rfft(random.standard_normal(frames))
    if colour == "pink":
        spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    noise = np.fft.irfft(spectrum, frames)
    return noise / (3.0 * noise.std())


def speech(random: np.random.Generator, time_s: np.ndarray) -> np.ndarray:
    """Return something like speech: syllables of a few harmonics, and pauses."""
    sound = np.zeros(len(time_s))
    at = 0
    while at < len(time_s):
        length = int(random.uniform(0.08, 0.3) / (time_s[1] - time_s[0]))
        pitch_hz = random.uniform(90.0, 250.0)
        inside = time_s[at : at + length]
        orders = np.arange(1, 20)
        sizes = random.exponential(1.0 / orders)
        waves = np.sin(2.0 * np.pi * pitch_hz * np.multiply.outer(orders, inside))
        sound[at : at + length] = 0.3 * sizes @ waves * np.hanning(len(inside))
        at += int(length * (1.0 + (random.random() < 0.2) * random.uniform(0.5, 3.0)))
    return sound


def _drop(
    random: np.random.Generator, samples: np.ndarray, drop_s: float, level: float, rate_hz: int
) -> None:
    """Add the thump of the needle."""
    first = int(drop_s * rate_hz)
    time_s = np.arange(len(samples) - first) / rate_hz
    size = level * 10.0 ** (random.uniform(-20.0, THUMP_DB) / 20.0)
    crackle = random.standard_normal(len(time_s))
    sides = random.uniform(0.5, 1.0, 2)
    heard = slice(0, int(THUMP_ENDS * THUMP_S * rate_hz))
    thump = np.sin(2.0 * np.pi * THUMP_HZ * time_s[heard]) + 0.3 * crackle[heard]
    thump *= size * np.exp(-time_s[heard] / THUMP_S)
    samples[first : first + len(thump)] += thump[:, None] * sides


def gains(track: Track, crosstalk: float) -> np.ndarray:
    """Return the gains of left and right."""
    return {
        "left": np.array([1.0, crosstalk]),
        "right": np.array([crosstalk, 1.0]),
        "lateral": np.array([0.7, 0.7]),
        "vertical": np.array([0.7, -0.7]),
    }[track.modulation or "lateral"]


def _noise(random: np.random.Generator, frames: int, level: float) -> np.ndarray:
    """Return groove noise, louder in the bass, with ticks; the stylus starts in the air."""
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
    return noise


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
