"""Orders of a sweep against frequency."""

from collections.abc import Iterator

import numpy as np

from grooveledger.observe.cells import played_hz
from grooveledger.observe.filtered import Frames, Stretch, demodulated
from grooveledger.observe.order_tracking import PhasePath
from grooveledger.observe.phase_following import followed_phase
from grooveledger.observe.reading import (
    ALL_FRAMES,
    SEARCH_CYCLES,
    SEARCH_SHORTEST_S,
    Reading,
    Rows,
)
from grooveledger.observe.sweep_path import edge_s, sweep_guess
from grooveledger.observe.sweep_ridge import Axis
from grooveledger.observe.ticks import cell_length, loud_cells

#: At a sweep's ends no frame is nearer than this part of its window: cut by the sweep's onset, even
#: where it is 80 dB down, a window lets the fundamental through to the harmonics (0.1 % seen).
END_PART = 0.5
#: The outermost readings of a sweep have a window shorter by this factor.
END_WINDOW_PART = 8.0
#: A cut may be faded in and out over so long.
END_FADE_S = 0.005
#: An end reading is kept where it agrees with the readings next to it, continued, within this, dB,
#: and this many times its noise.
END_AGREES_DB, END_SIGMAS = 0.3, 4.0
#: Readings next to an end that are continued to it.
END_NEIGHBOURS = 4
#: Below this a sweep and its harmonics leave the treble to ticks, which stand out of it by this
#: much.
TREBLE_FREE_HZ, TICK_DB = 850.0, 13.0
#: A tick this part of a window from its middle counts for a tenth of one there.
TICK_WINDOW_PART = 0.3
#: Times at which a path's frequency is looked up for planning, s.
PLANNING_S = 2e-3


class Sweep:
    """A sweep's cells and ends, read along its own phase."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._settings = reading.settings

    def rows(self) -> Iterator[Rows]:
        """Read every cell of the sweep, and its very ends."""
        reading, sound, track = self._reading, self._reading.sound, self._reading.track
        axis = Axis.of(track, reading.speed)
        duration_s = track.stated_duration_s / reading.speed
        guess = sweep_guess(sound, axis, duration_s)
        if guess is None:
            return
        law, channel = guess.path, guess.channel
        edges = [
            edge_s(sound, law, channel, near, inward)
            for near, inward in ((guess.begin_s, 1), (guess.end_s, -1))
        ]
        begin = self._faded_begin(axis, law, guess.begin_s) if edges[0] is None else edges[0]
        end = self._faded_end(axis, law, guess.end_s) if edges[1] is None else edges[1]
        search = self._octaves(law, begin, end, SEARCH_CYCLES, SEARCH_SHORTEST_S)
        phase = followed_phase(sound, law, channel, search)
        if phase is None:
            return
        per_octave = int(self._settings["points_per_octave"])
        cycles, shortest_s = self._settings["window_cycles"], self._settings["window_shortest_s"]
        parts = []
        for stretch in self._octaves(law, begin, end, cycles, shortest_s):
            components = self._components(law, stretch)
            if not components:
                continue
            frames = demodulated(sound, [phase.path], components, stretch)
            if not frames.span.frames:
                continue
            # The ridge, ever rising or falling, sorts frames into cells: wow can't fold it back.
            law_here = sound.path_on(frames.sound, law)
            law_hz = played_hz(law_here, frames.span, frames.sound.sample_rate_hz)
            cell = np.floor(np.log2(law_hz / 1000.0) * per_octave + 0.5)
            edges_here = np.flatnonzero(np.diff(cell, prepend=np.nan) != 0)
            followed = phase.followed(sound.position_of(frames.sound, frames.span.centres))
            ticked = self._ticked(frames, stretch, float(law_hz.max()))
            rows = reading.rows(frames, channel, edges_here, components, followed, ticked)
            parts.append(rows)
            yield reading.named(rows, None, None), phase.path
        for edge, outermost, inward in (
            (edges[0], begin, 1.0),
            (edges[1], end, -1.0),
        ):
            if edge is None:
                continue
            for stretch in self._end(phase.path, outermost, inward, cycles, shortest_s):
                components = self._components(law, stretch)
                if not components:
                    continue
                frames = demodulated(sound, [phase.path], components, stretch)
                if not frames.span.frames:
                    continue
                rows = reading.rows(frames, channel, ALL_FRAMES, components)
                if _confirmed(rows, parts, channel):
                    yield reading.named(rows, None, None), phase.path

    def _ticked(self, frames: Frames, stretch: Stretch, highest_hz: float) -> np.ndarray | None:
        """Frames that hold a tick, by the treble; None where the sweep itself is there.

        In the long windows of low frequencies a tick hardly stands out of a few frames' noise.
        """
        if highest_hz > TREBLE_FREE_HZ:
            return None
        sound, rate = self._reading.sound, self._reading.sound.sample_rate_hz
        first = max(0, int((stretch.begin_s - stretch.window_s) * rate))
        last = int((stretch.end_s + stretch.window_s) * rate)
        heard = np.asarray(sound.samples[:, first:last])
        cell = cell_length(rate)
        ticks = first + cell * (np.flatnonzero(loud_cells(heard, rate, TICK_DB)) + 0.5)
        if not len(ticks):
            return None
        centres = sound.position_of(frames.sound, frames.span.centres)
        after = np.clip(np.searchsorted(ticks, centres), 0, len(ticks) - 1)
        apart = np.minimum(
            np.abs(centres - ticks[after]), np.abs(centres - ticks[np.maximum(after - 1, 0)])
        )
        return apart < TICK_WINDOW_PART * stretch.window_s * rate

    def _components(self, law: PhasePath, stretch: Stretch) -> list[tuple[int]]:
        ends_s = np.array([stretch.begin_s, stretch.end_s])
        lowest_hz = float(np.min(self._reading.frequency_hz(law, ends_s)))
        return [(n,) for n in self._reading.orders(lowest_hz)] if lowest_hz > 0.0 else []

    def _faded_begin(self, axis: Axis, law: PhasePath, begin_s: float) -> float:
        """Begin of a sweep whose first part lies under the noise: where the track begins."""
        reading = self._reading
        at_s = np.arange(max(reading.sound.begin_s, 0.0), begin_s, PLANNING_S)
        return self._outermost(axis, law, at_s[::-1], begin_s)

    def _faded_end(self, axis: Axis, law: PhasePath, end_s: float) -> float:
        """End of a sweep whose last part lies under the noise: where the track ends."""
        return self._outermost(
            axis, law, np.arange(end_s, self._reading.sound.end_s, PLANNING_S), end_s
        )

    def _outermost(self, axis: Axis, law: PhasePath, at_s: np.ndarray, otherwise: float) -> float:
        """Last of some times, from the ridge outwards, at which the sweep can still go on."""
        if not len(at_s):
            return otherwise
        hz = self._reading.frequency_hz(law, at_s)
        low_hz, high_hz = sorted((axis.start_hz, axis.stop_hz))
        inside = (hz >= low_hz) & (hz <= high_hz)
        run = len(inside) if inside.all() else int(np.argmin(inside))
        return float(at_s[run - 1]) if run else otherwise

    def _octaves(
        self, path: PhasePath, begin: float, end: float, cycles: float, shortest_s: float
    ) -> list[Stretch]:
        """Octaves of a sweep in time order, each with the window its lowest frequency needs."""
        at_s = np.arange(begin, end, PLANNING_S)
        frequency_hz = self._reading.frequency_hz(path, at_s)
        top_hz = self._reading.top_hz
        per_octave = int(self._settings["points_per_octave"])
        read_hz = frequency_hz[(frequency_hz < top_hz) & (frequency_hz > 0.0)]
        if not len(read_hz):
            return []
        # Octaves begin at a cell's edge, so that no cell is split between two of them.
        lowest_cell = np.floor(np.log2(read_hz.min() / 1000.0) * per_octave + 0.5)
        octaves = np.log2(np.maximum(frequency_hz, read_hz.min()) / 1000.0)
        octaves = octaves - (lowest_cell - 0.5) / per_octave
        last = max(1, round(float(np.log2(read_hz.max() / read_hz.min())))) - 1
        octave = np.clip(np.floor(octaves), 0, last)
        stretches = []
        for value in dict.fromkeys(octave.tolist()):
            inside = np.flatnonzero((octave == value) & (frequency_hz < top_hz))
            if not len(inside):
                continue
            window_s = max(cycles / float(frequency_hz[inside].min()), shortest_s)
            first_s = max(at_s[inside[0]], begin + END_PART * window_s)
            last_s = min(at_s[inside[-1]] + PLANNING_S, end - END_PART * window_s)
            if last_s > first_s:
                stretches.append(Stretch(first_s, last_s, window_s))
        return stretches

    def _end(
        self, path: PhasePath, edge: float, inward: float, cycles: float, shortest_s: float
    ) -> Iterator[Stretch]:
        """Yield a short stretch at an end of a sweep, where its frequency allows a shorter window.

        A window keeps half its length away from the end: in a quick sweep the curve would stop a
        per cent short of the frequency that was played.
        """
        frequency_hz = float(self._reading.frequency_hz(path, edge + inward * END_FADE_S))
        window_s = max(cycles / max(frequency_hz, 1e-3), shortest_s / END_WINDOW_PART)
        if window_s >= shortest_s or frequency_hz >= self._reading.top_hz:
            return
        outer = edge + inward * (END_FADE_S + END_PART * window_s)
        times = (outer, outer + inward * 2.0 * window_s)
        yield Stretch(min(times), max(times), window_s)


def _confirmed(
    end: dict[str, np.ndarray], parts: list[dict[str, np.ndarray]], channel: int
) -> bool:
    """Whether an end reading agrees with the readings next to it, continued to its frequency."""
    name = ("left", "right")[channel]

    def fundamental(rows: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        wanted = (rows["order"] == 1) & (rows["channel"] == name) & ~rows["limited"]
        return {
            key: rows[key][wanted] for key in ("time_s", "played_hz", "amplitude_fs", "floor_fs")
        }

    here = fundamental(end)
    if not len(here["time_s"]) or not parts:
        return False
    all_rows = [fundamental(part) for part in parts]
    around = {key: np.concatenate([rows[key] for rows in all_rows]) for key in here}
    nearest = np.argsort(np.abs(around["time_s"] - here["time_s"][0]), kind="stable")
    nearest = nearest[:END_NEIGHBOURS]
    if len(nearest) < 2:
        return False
    log_hz = np.log(around["played_hz"][nearest])
    level_db = 20.0 * np.log10(around["amplitude_fs"][nearest])
    slope, height = np.polyfit(log_hz - log_hz[0], level_db, 1)
    expected_db = height + slope * (np.log(here["played_hz"][0]) - log_hz[0])
    apart_db = abs(20.0 * np.log10(here["amplitude_fs"][0]) - expected_db)
    noise_db = 8.7 * float(here["floor_fs"][0] / here["amplitude_fs"][0])
    return bool(apart_db <= END_AGREES_DB + END_SIGMAS * noise_db)
