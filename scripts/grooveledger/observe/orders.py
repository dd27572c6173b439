"""Orders of tones, steps and sweeps in both channels, and the spectra of tones."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa

from grooveledger.capture import reader
from grooveledger.observe.carrier import sweep_path, tone_path
from grooveledger.observe.cells import averaged, played_hz
from grooveledger.observe.filtered import Frames, Stretch, demodulated
from grooveledger.observe.located_tracks import found_stretches
from grooveledger.observe.order_tracking import PhasePath, noise_power, referred, unwrapped_cycles
from grooveledger.observe.sound import Sound, read_sound
from grooveledger.observe.tone_search import tone_hz
from grooveledger.observe.tone_spectrum import middle, tone_spectrum
from grooveledger.plan import Side, Track
from grooveledger.plan.uses import is_spectrum_tone
from grooveledger.schemas.observe import ORDERS, TONE_SPECTRUM
from grooveledger.storage import tables

#: Left out at the ends of a tone, s, and of a step, as a fraction of it: attack, release, boundary.
TONE_GUARD_S = 0.3
STEP_GUARD = 0.2
#: Longest part of a steady tone that is read, s: more would not sharpen a figure, and take memory.
STEADY_LONGEST_S = 120.0
#: First guess of a tone: speed is looked for so far from nominal; after a tone told it, so far.
SPEED_SEARCH, SPEED_SEARCH_KNOWN = 0.10, 0.02
#: Orders are read below this part of half the sampling rate: above lies the converter's filter.
NYQUIST_PART = 0.94
#: While the phase is being found the window has so many cycles and is at least so long, s.
SEARCH_CYCLES, SEARCH_SHORTEST_S = 6.0, 0.012
#: The phase found is smoothed over this time, s: wow and flutter pass, noise does not.
SEARCH_SMOOTHING_S = 0.03
#: A frame's phase counts where its power is so many times the noise.
SEARCH_SNR = 10.0
#: At a sweep's ends no frame is nearer than this part of its window: cut by the sweep's onset, even
#: where it is 80 dB down, a window lets the fundamental through to the harmonics (0.1 % seen).
END_PART = 0.5
#: The outermost readings of a sweep have a window shorter by this factor.
END_WINDOW_PART = 8.0
#: A cut may be faded in and out over so long.
END_FADE_S = 0.005
#: Sidebands of a two-tone track, as multiples of the high and the low tone.
TWO_TONE_COMPONENTS = ((1, 0), (0, 1), (1, -1), (1, 1), (1, -2), (1, 2))
#: A steady tone is one cell.
ALL_FRAMES = np.zeros(1, dtype=int)


class Part(NamedTuple):
    """A part of a track that is read by itself: a step, or all of it between its guards."""

    begin_s: float
    end_s: float
    step: int | None = None
    nominal_hz: float | None = None


def observe_orders(
    path: str | Path,
    tracks: pa.Table,
    side: Side,
    settings: Mapping[str, Any],
    capture: str,
) -> tuple[pa.Table, pa.Table]:
    """Read every order of every driven track of a capture.

    Parameters
    ----------
    path : path
        The capture.
    tracks : pyarrow.Table
        Where its tracks lie (stage 1); those not found are passed over.
    side : Side
        The plan.
    settings : mapping
        The configuration's `orders` block.

    Returns
    -------
    orders, tone_spectrum : pyarrow.Table
        See `schemas.observe`.
    """
    readings: list[dict[str, Any]] = []
    spectra: list[dict[str, Any]] = []
    spectrum_tracks = {track.track for track in filter(is_spectrum_tone, side.tracks)}
    found = found_stretches(tracks)
    if found:
        with reader.open_capture(path) as file:
            speed, known = 1.0, False
            speeds = []
            # Tones first: they tell the platter's speed, which sweeps and steps are then read with.
            for track in sorted(
                side.tracks, key=lambda t: (t.kind != "tone", side.position(t.track))
            ):
                if track.track not in found or not track.lowest_hz:
                    continue
                if track.duration_s is None:
                    begin_s, end_s = found[track.track]
                    track = replace(track, duration_s=(end_s - begin_s) * speed)
                tolerance = SPEED_SEARCH_KNOWN if known else SPEED_SEARCH
                for part in _parts(track, *found[track.track], speed):
                    sound = read_sound(file, part.begin_s, part.end_s)
                    reading = _Reading(sound, track, settings, speed, tolerance)
                    for rows, phase in reading.rows(part):
                        readings.append(rows)
                        if track.kind == "tone":
                            speeds.append(float(rows["played_hz"][0]) / track.lowest_hz)
                        if track.track in spectrum_tracks:
                            spectra.append(_spectrum(sound, phase, track, settings))
                    # The next is read when this one's sound is gone: memory holds one of them.
                    del sound
                if speeds:
                    speed, known = float(np.median(speeds)), True
    orders = _table(ORDERS, readings, capture)
    return orders, _table(TONE_SPECTRUM, spectra, capture)


def _table(table: Any, parts: Sequence[Mapping[str, Any]], capture: str) -> pa.Table:
    if not parts:
        return tables.empty(table)
    names = [name for name in table.names if name != "capture"]
    whole = {name: np.concatenate([part[name] for part in parts]) for name in names}
    return tables.build(table, {"capture": capture, **whole})


def _parts(track: Track, begin_s: float, end_s: float, speed: float) -> Iterator[Part]:
    """Parts of a track that was found: `speed` is the played re the nominal one."""
    if track.kind == "sweep":
        yield Part(begin_s, end_s)
    elif track.kind in ("tone", "two_tone"):
        begin_s, end_s = begin_s + TONE_GUARD_S, end_s - TONE_GUARD_S
        middle_s = 0.5 * (begin_s + end_s)
        yield Part(
            max(begin_s, middle_s - 0.5 * STEADY_LONGEST_S),
            min(end_s, middle_s + 0.5 * STEADY_LONGEST_S),
            nominal_hz=track.frequency_hz,
        )
    else:
        assert track.step_s is not None
        step_s = track.step_s / speed
        if track.kind == "tone_steps":
            frequencies_hz: Sequence[float] = track.frequencies_hz
        else:
            frequencies_hz = [track.lowest_hz] * len(track.amplitudes_um)
        for step, frequency_hz in enumerate(frequencies_hz):
            first_s = begin_s + (step + STEP_GUARD) * step_s
            last_s = min(begin_s + (step + 1 - STEP_GUARD) * step_s, end_s)
            if last_s > first_s:
                yield Part(first_s, last_s, step, frequency_hz)


class _Reading:
    """How one part of a track is read: which components, along which phase, how averaged."""

    def __init__(
        self,
        sound: Sound,
        track: Track,
        settings: Mapping[str, Any],
        speed: float,
        tolerance: float,
    ) -> None:
        self._sound = sound
        self._track = track
        self._settings = settings
        self._speed = speed
        self._tolerance = tolerance
        self._top_hz = NYQUIST_PART * 0.5 * sound.sample_rate_hz

    def rows(self, part: Part) -> Iterator[tuple[dict[str, Any], PhasePath]]:
        """Rows of the orders table, with the phase path they were read along."""
        if self._track.kind == "sweep":
            yield from self._sweep()
        elif self._track.kind == "two_tone":
            yield from self._two_tone()
        else:
            assert part.nominal_hz is not None
            yield from self._steady(part.nominal_hz, part.step)

    def _steady(
        self, nominal_hz: float, step: int | None
    ) -> Iterator[tuple[dict[str, Any], PhasePath]]:
        tracked = self._tracked_tone(nominal_hz, self._window_s(nominal_hz))
        if tracked is None:
            return
        path, channel, stretch = tracked
        middle = 0.5 * (stretch.begin_s + stretch.end_s)
        orders = self._orders(float(self._frequency_hz(path, middle)))
        if not orders:
            return
        components = [(n,) for n in orders]
        frames = demodulated(self._sound, [path], components, stretch)
        yield self._rows(frames, channel, ALL_FRAMES, components, nominal_hz, step), path

    def _sweep(self) -> Iterator[tuple[dict[str, Any], PhasePath]]:
        track, rate = self._track, self._sound.sample_rate_hz
        guess = sweep_path(self._sound.samples, rate, track, self._sound.begin_s, self._speed)
        if guess is None:
            return
        law, channel, begin, end = guess
        search = self._octaves(law, begin, end, SEARCH_CYCLES, SEARCH_SHORTEST_S)
        refined = self._refined(law, channel, search) if search else None
        if refined is None:
            return
        per_octave = int(self._settings["points_per_octave"])
        cycles, shortest_s = self._settings["window_cycles"], self._settings["window_shortest_s"]
        octaves = self._octaves(refined, begin, end, cycles, shortest_s)
        ends = self._ends(refined, begin, end, cycles, shortest_s)
        for stretch in [*octaves, *ends]:
            ends_s = np.array([stretch.begin_s, stretch.end_s])
            orders = self._orders(float(np.min(self._frequency_hz(law, ends_s))))
            if not orders:
                continue
            components = [(n,) for n in orders]
            frames = demodulated(self._sound, [refined], components, stretch)
            if not frames.span.frames:
                continue
            edges = ALL_FRAMES
            if stretch in octaves:
                # The law, not the played frequency, sorts frames into cells: wow can't fold it
                # back.
                law_here = self._sound.path_on(frames.sound, law)
                law_hz = played_hz(law_here, frames.span, frames.sound.sample_rate_hz)
                cell = np.floor(np.log2(law_hz / 1000.0) * per_octave + 0.5)
                edges = np.flatnonzero(np.diff(cell, prepend=np.nan) != 0)
            yield self._rows(frames, channel, edges, components, None, None), refined

    def _two_tone(self) -> Iterator[tuple[dict[str, Any], PhasePath]]:
        track = self._track
        low_hz, high_hz = track.frequencies_hz
        window_s = self._window_s(min(low_hz, high_hz - 2.0 * low_hz))
        high_tone = self._tracked_tone(high_hz, window_s)
        low_tone = self._tracked_tone(low_hz, window_s)
        if high_tone is None or low_tone is None:
            return
        (high, channel, stretch), (low, _, _) = high_tone, low_tone
        frames = demodulated(self._sound, [high, low], TWO_TONE_COMPONENTS, stretch)
        yield self._rows(frames, channel, ALL_FRAMES, TWO_TONE_COMPONENTS, high_hz, None), high

    def _window_s(self, frequency_hz: float) -> float:
        cycles, shortest_s = self._settings["window_cycles"], self._settings["window_shortest_s"]
        return float(max(cycles / (frequency_hz * self._speed), shortest_s))

    def _orders(self, fundamental_hz: float) -> list[int]:
        highest = min(int(self._settings["order_max"]), int(self._top_hz / fundamental_hz))
        return list(range(1, highest + 1))

    def _frequency_hz(self, path: PhasePath, at_s: float | np.ndarray) -> np.ndarray:
        rate = self._sound.sample_rate_hz
        return np.asarray(path.at(np.asarray(at_s) * rate)[1] * rate)

    def _tracked_tone(
        self, nominal_hz: float, window_s: float
    ) -> tuple[PhasePath, int, Stretch] | None:
        rate = self._sound.sample_rate_hz
        begin, end = self._sound.begin_s, self._sound.end_s
        expected_hz = nominal_hz * self._speed
        if end - begin < 2.0 * window_s or expected_hz >= self._top_hz:
            return None
        inside = self._sound.samples[:, max(0, int(begin * rate)) : int(end * rate)]
        heard_hz, channel = tone_hz(inside, rate, expected_hz, self._tolerance)
        guess = tone_path(heard_hz, self._sound.samples.shape[1], rate)
        search_s = max(SEARCH_CYCLES / heard_hz, SEARCH_SHORTEST_S, window_s / 4.0)
        path = self._refined(guess, channel, [Stretch(begin, end, search_s, True)])
        return None if path is None else (path, channel, Stretch(begin, end, window_s, True))

    def _refined(
        self, path: PhasePath, channel: int, stretches: Sequence[Stretch]
    ) -> PhasePath | None:
        """Path with the phase that the louder channel really has; None where it can't be seen."""
        louder = replace(self._sound, samples=self._sound.samples[channel : channel + 1, :])
        runs, centres, seen = [], [], 0
        for stretch in stretches:
            frames = demodulated(louder, [path], [(1,)], stretch)
            if not frames.span.frames:
                continue
            z = frames.z[:, 0, 0]
            # The noise in step with the tone, and as much again across it: the amplitude's own
            # scatter, which a phase that still turns does not disturb.
            amplitude = np.abs(z)
            clear = amplitude**2 > SEARCH_SNR * 2.0 * np.median(noise_power(amplitude))
            runs.append(z[clear])
            centres.append(louder.position_of(frames.sound, frames.span.centres[clear]))
            seen += frames.span.frames
        if sum(map(len, runs)) <= seen / 4:
            return None
        run, at = np.concatenate(runs), np.concatenate(centres)
        smoothing = SEARCH_SMOOTHING_S * self._sound.sample_rate_hz
        refined = path.plus(at, unwrapped_cycles(run), smoothing)
        # Smoothed, what was found lags behind fast wow; from what is left the rest is found.
        turned = refined.at(at)[0] - path.at(at)[0]
        left = unwrapped_cycles(run * np.exp(-2j * np.pi * turned))
        return refined.plus(at, left, smoothing)

    def _octaves(
        self, path: PhasePath, begin: float, end: float, cycles: float, shortest_s: float
    ) -> list[Stretch]:
        """Octaves of a sweep in time order, each with the window its lowest frequency needs."""
        at_s = np.arange(begin, end, 2e-3)
        frequency_hz = self._frequency_hz(path, at_s)
        per_octave = int(self._settings["points_per_octave"])
        heard_hz = frequency_hz[frequency_hz < self._top_hz]
        if not len(heard_hz):
            return []
        # Octaves begin at a cell's edge, so that no cell is split between two of them.
        lowest_cell = np.floor(np.log2(heard_hz.min() / 1000.0) * per_octave + 0.5)
        octaves = np.log2(frequency_hz / 1000.0) - (lowest_cell - 0.5) / per_octave
        last = max(1, round(float(np.log2(heard_hz.max() / heard_hz.min())))) - 1
        octave = np.clip(np.floor(octaves), 0, last)
        stretches = []
        for value in dict.fromkeys(octave.tolist()):
            inside = np.flatnonzero((octave == value) & (frequency_hz < self._top_hz))
            if not len(inside):
                continue
            window_s = max(cycles / float(frequency_hz[inside].min()), shortest_s)
            first_s = max(at_s[inside[0]], begin + END_PART * window_s)
            last_s = min(at_s[inside[-1]] + 2e-3, end - END_PART * window_s)
            if last_s > first_s:
                stretches.append(Stretch(first_s, last_s, window_s))
        return stretches

    def _ends(
        self, path: PhasePath, begin: float, end: float, cycles: float, shortest_s: float
    ) -> list[Stretch]:
        """A short reading at each end of a sweep, where its frequency allows a shorter window.

        A window keeps half its length away from the end: in a quick sweep the curve would stop a
        per cent short of the frequency that was played.
        """
        stretches = []
        for edge, inward in ((begin, 1.0), (end, -1.0)):
            frequency_hz = float(self._frequency_hz(path, edge))
            window_s = max(cycles / max(frequency_hz, 1e-3), shortest_s / END_WINDOW_PART)
            if window_s >= shortest_s or frequency_hz >= self._top_hz:
                continue
            outer = edge + inward * (END_FADE_S + END_PART * window_s)
            times = (outer, outer + inward * 2.0 * window_s)
            stretches.append(Stretch(min(times), max(times), window_s))
        return stretches

    def _rows(
        self,
        frames: Frames,
        channel: int,
        edges: np.ndarray,
        components: Sequence[Sequence[int]],
        nominal_hz: float | None,
        step: int | None,
    ) -> dict[str, Any]:
        z = referred(frames.z, components, channel)
        rate = frames.sound.sample_rate_hz
        orders = [component[0] for component in components]
        low_orders = [sum(component[1:]) for component in components]
        columns = averaged(z, frames.span, rate, frames.played_hz, edges, orders, low_orders)
        # Near half the sampling rate the highest orders of an octave end before its top.
        read = columns["order"] * columns["played_hz"] < self._top_hz
        columns = {name: values[read | (columns["order"] <= 1)] for name, values in columns.items()}
        rows = len(columns["order"])
        columns["time_s"] = columns["time_s"] + frames.sound.start_s
        return {
            **columns,
            "track": np.full(rows, self._track.track),
            "step": np.full(rows, np.nan if step is None else float(step)),
            "nominal_hz": (
                columns["played_hz"] / self._speed
                if nominal_hz is None
                else np.full(rows, nominal_hz)
            ),
        }


def _spectrum(
    sound: Sound, path: PhasePath, track: Track, settings: Mapping[str, Any]
) -> dict[str, Any]:
    rate = sound.sample_rate_hz
    guard = int(sound.begin_s * rate)
    inside = sound.samples[:, guard : int(sound.end_s * rate)]
    part = middle(inside.shape[1], rate)
    samples = np.asarray(inside[:, part])
    cycles, _ = path.at(guard + part.start + np.arange(samples.shape[1], dtype=np.float64))
    assert track.frequency_hz is not None
    columns = tone_spectrum(samples.T, 2.0 * np.pi * cycles, rate, track.frequency_hz, settings)
    rows = len(columns["frequency_hz"])
    return {
        "track": np.full(rows, track.track),
        "tone_hz": np.full(rows, track.frequency_hz),
        **columns,
    }
