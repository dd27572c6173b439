"""Orders of a sweep against frequency."""

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

from grooveledger.observe.cells import played_hz
from grooveledger.observe.filtered import FilteredStretch, Frames, demodulated
from grooveledger.observe.order_tracking import PhasePath
from grooveledger.observe.phase_following import followed_phase
from grooveledger.observe.reading import (
    ONE_CELL,
    SEARCH_CYCLES,
    SEARCH_SHORTEST_S,
    Cells,
    Reading,
    Rows,
)
from grooveledger.observe.sound import Sound
from grooveledger.observe.sweep_path import edge_s, sweep_guess
from grooveledger.observe.sweep_ridge import Axis
from grooveledger.observe.ticks import cell_length, loud_cells
from grooveledger.physics.noise_floor import HEARD_RE_FLOOR

#: At a sweep's ends no frame is nearer than this part of its window: cut by the sweep's onset, even
#: where it is 80 dB down, a window lets the fundamental through to the harmonics (0.1 % seen).
END_PART = 0.5
#: The outermost readings of a sweep: factor by which their window is shorter, number of windows
#: averaged, and number of further windows that their noise is read from.
END_WINDOW_PART, END_WINDOWS, END_NOISE_WINDOWS = 8.0, 2.0, 4.0
#: A cut may be faded in and out over this time.
END_FADE_S = 0.005
#: An end reading is kept where it agrees with the readings next to it, continued, within this, dB,
#: and this many times their noise (its own takes what a fade leaves for noise).
END_AGREES_DB, END_SIGMAS = 0.3, 4.0
#: Readings next to an end that are continued to it, and whose noise it has at least.
END_NEIGHBOURS = 4
#: Below this a sweep and its harmonics leave the treble to ticks, which stand out of it by this
#: much.
TREBLE_FREE_HZ, TICK_DB = 850.0, 13.0
#: A tick this part of a window from its middle counts for a tenth of one there.
TICK_WINDOW_PART = 0.3
#: Times at which a path's frequency is looked up for planning, s.
PLANNING_S = 2e-3


class Octave(NamedTuple):
    """An octave of a sweep, whose cells are read with one window.

    Attributes
    ----------
    stretch : FilteredStretch
    wide : FilteredStretch
        The same and a window on either side, as far as the sweep goes on: a tick near an octave's
        end is recognised by what follows.
    first_cell, after_cell : float
        The cells of the octave: half-open, without end where the sweep ends.
    """

    stretch: FilteredStretch
    wide: FilteredStretch
    first_cell: float
    after_cell: float


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
        phase = followed_phase(sound, law, channel, [octave.stretch for octave in search])
        if phase is None:
            return
        cycles, shortest_s = self._settings["window_cycles"], self._settings["window_shortest_s"]
        parts = []
        for octave in self._octaves(law, begin, end, cycles, shortest_s):
            components = self._components(law, octave.stretch)
            if not components:
                continue
            frames = demodulated(sound, [phase.path], components, octave.wide)
            # The ridge, ever rising or falling, sorts frames into cells: wow can't fold it back.
            law_here = sound.path_on(frames.sound, law)
            law_hz = played_hz(law_here, frames.span, frames.sound.sample_rate_hz)
            cells = self._cells(law_hz, octave)
            if cells is None:
                continue
            followed = phase.followed(sound.position_of(frames.sound, frames.span.centres))
            ticked = self._ticked(frames, octave.wide, float(law_hz.max()))
            rows = reading.rows(frames, channel, components, cells, followed, ticked)
            parts.append(rows)
            yield reading.named(rows, None, None), phase.path
        for edge, outermost, inward in (
            (edges[0], begin, 1.0),
            (edges[1], end, -1.0),
        ):
            if edge is None:
                continue
            for stretch, wide in self._end(phase.path, outermost, inward, cycles, shortest_s):
                components = self._components(law, stretch)
                if not components:
                    continue
                frames = demodulated(sound, [phase.path], components, wide)
                cells = _between(frames, sound, stretch)
                if cells is None:
                    continue
                rows = reading.rows(frames, channel, components, cells)
                if _confirmed(rows, parts, channel):
                    rows = _as_noisy(rows, parts)
                    yield reading.named(rows, None, None), phase.path

    def _cell(self, frequency_hz: np.ndarray) -> np.ndarray:
        """Return the cells that frequencies lie in: whole numbers, 0 about 1 kHz."""
        per_octave = int(self._settings["points_per_octave"])
        return np.floor(np.log2(frequency_hz / 1000.0) * per_octave + 0.5)

    def _cells(self, law_hz: np.ndarray, octave: Octave) -> Cells | None:
        """Return the cells of an octave among the frames of its wide stretch.

        None where there are none.
        """
        cell = self._cell(law_hz)
        inside = np.flatnonzero((cell >= octave.first_cell) & (cell < octave.after_cell))
        if not len(inside):
            return None
        within = slice(int(inside[0]), int(inside[-1]) + 1)
        return Cells(within, np.flatnonzero(np.diff(cell[within], prepend=np.nan) != 0))

    def _ticked(
        self, frames: Frames, stretch: FilteredStretch, highest_hz: float
    ) -> np.ndarray | None:
        """Return the frames that hold a tick, by the treble; None where the sweep itself is there.

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

    def _components(self, law: PhasePath, stretch: FilteredStretch) -> list[tuple[int]]:
        ends_s = np.array([stretch.begin_s, stretch.end_s])
        lowest_hz = float(np.min(self._reading.frequency_hz(law, ends_s)))
        return [(n,) for n in self._reading.orders(lowest_hz)] if lowest_hz > 0.0 else []

    def _faded_begin(self, axis: Axis, law: PhasePath, begin_s: float) -> float:
        """Begin of a sweep whose first part lies under the noise: where the track begins."""
        reading = self._reading
        at_s = np.arange(max(reading.sound.begin_s, 0.0), begin_s, PLANNING_S)
        return self._outermost(axis, law, at_s[::-1], begin_s)

    def _faded_end(self, axis: Axis, law: PhasePath, end_s: float) -> float:
        """Return the end of a sweep whose last part lies under the noise: where the track ends."""
        return self._outermost(
            axis, law, np.arange(end_s, self._reading.sound.end_s, PLANNING_S), end_s
        )

    def _outermost(self, axis: Axis, law: PhasePath, at_s: np.ndarray, otherwise: float) -> float:
        """Return the last of some times, from the ridge outwards, at which the sweep can go on."""
        if not len(at_s):
            return otherwise
        hz = self._reading.frequency_hz(law, at_s)
        low_hz, high_hz = sorted((axis.start_hz, axis.stop_hz))
        inside = (hz >= low_hz) & (hz <= high_hz)
        run = len(inside) if inside.all() else int(np.argmin(inside))
        return float(at_s[run - 1]) if run else otherwise

    def _octaves(
        self, path: PhasePath, begin: float, end: float, cycles: float, shortest_s: float
    ) -> list[Octave]:
        """Return a sweep's octaves in time order, each with the window that its lowest needs."""
        at_s = np.arange(begin, end, PLANNING_S)
        frequency_hz = self._reading.frequency_hz(path, at_s)
        top_hz = self._reading.top_hz
        per_octave = int(self._settings["points_per_octave"])
        is_read = (frequency_hz < top_hz) & (frequency_hz > 0.0)
        if not is_read.any():
            return []
        read_hz, read_s = frequency_hz[is_read], at_s[is_read]
        # Octaves begin at a cell's edge, so that no cell is split between two of them.
        lowest_cell = float(self._cell(read_hz.min()))
        octaves = np.floor((self._cell(read_hz) - lowest_cell) / per_octave)
        last = max(1, round(float(np.log2(read_hz.max() / read_hz.min())))) - 1
        octaves = np.minimum(octaves, last)
        found = []
        for value in dict.fromkeys(octaves.tolist()):
            inside = np.flatnonzero(octaves == value)
            window_s = max(cycles / float(read_hz[inside].min()), shortest_s)
            low_s = max(read_s[0], begin + END_PART * window_s)
            high_s = min(read_s[-1] + PLANNING_S, end - END_PART * window_s)
            first_s = max(read_s[inside[0]], low_s)
            last_s = min(read_s[inside[-1]] + PLANNING_S, high_s)
            if last_s > first_s:
                wide_s = max(first_s - window_s, low_s), min(last_s + window_s, high_s)
                found.append(
                    Octave(
                        FilteredStretch(first_s, last_s, window_s),
                        FilteredStretch(*wide_s, window_s),
                        lowest_cell + value * per_octave if value > 0 else -np.inf,
                        lowest_cell + (value + 1) * per_octave if value < last else np.inf,
                    )
                )
        return found

    def _end(
        self, path: PhasePath, edge: float, inward: float, cycles: float, shortest_s: float
    ) -> Iterator[tuple[FilteredStretch, FilteredStretch]]:
        """Yield a short stretch at an end of a sweep, where its frequency allows a shorter window.

        With it goes a longer one, in which the noise is read.

        A window keeps half its length away from the end: in a quick sweep the curve would stop a
        per cent short of the frequency that was played.
        """
        frequency_hz = float(self._reading.frequency_hz(path, edge + inward * END_FADE_S))
        window_s = max(cycles / max(frequency_hz, 1e-3), shortest_s / END_WINDOW_PART)
        if window_s >= shortest_s or frequency_hz >= self._reading.top_hz:
            return
        outer = edge + inward * (END_FADE_S + END_PART * window_s)
        inner = [
            outer + inward * windows * window_s
            for windows in (END_WINDOWS, END_WINDOWS + END_NOISE_WINDOWS)
        ]
        stretch, wide = (FilteredStretch(min(outer, at), max(outer, at), window_s) for at in inner)
        yield stretch, wide


def _between(frames: Frames, sound: Sound, stretch: FilteredStretch) -> Cells | None:
    """Return the frames within a stretch of a sound as one cell; None where there are none."""
    position = sound.position_of(frames.sound, frames.span.centres)
    at_s = position / sound.sample_rate_hz
    inside = np.flatnonzero((at_s >= stretch.begin_s) & (at_s <= stretch.end_s))
    if not len(inside):
        return None
    return Cells(slice(int(inside[0]), int(inside[-1]) + 1), ONE_CELL)


def _confirmed(
    end: dict[str, np.ndarray], parts: list[dict[str, np.ndarray]], channel: int
) -> bool:
    """Whether an end reading agrees with the readings next to it, continued to its frequency."""
    name = ("left", "right")[channel]

    def fundamental(rows: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
        wanted = (rows["order"] == 1) & (rows["channel"] == name) & ~rows["limited"]
        names = ("time_s", "played_hz", "amplitude_fs", "floor_fs", "bandwidth_hz")
        return {name: rows[name][wanted] for name in names}

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
    density = np.median(around["floor_fs"][nearest] ** 2 / around["bandwidth_hz"][nearest])
    floor_fs = float(np.sqrt(density * here["bandwidth_hz"][0]))
    noise_db = 8.7 * floor_fs / float(here["amplitude_fs"][0])
    return bool(apart_db <= END_AGREES_DB + END_SIGMAS * noise_db)


def _as_noisy(end: dict[str, np.ndarray], parts: list[dict[str, np.ndarray]]) -> dict[str, Any]:
    """Return an end reading with the noise that the readings next to it show, where that is more.

    Its own is of half a dozen windows, and by chance far too low once in a hundred times.
    """
    names = ("order", "channel", "time_s", "floor_fs", "bandwidth_hz")
    around = {name: np.concatenate([part[name] for part in parts]) for name in names}
    floor = end["floor_fs"].copy()
    for i in range(len(floor)):
        same = np.flatnonzero(
            (around["order"] == end["order"][i]) & (around["channel"] == end["channel"][i])
        )
        apart_s = np.abs(around["time_s"][same] - end["time_s"][i])
        near = same[np.argsort(apart_s, kind="stable")[:END_NEIGHBOURS]]
        if len(near):
            density = np.median(around["floor_fs"][near] ** 2 / around["bandwidth_hz"][near])
            floor[i] = max(floor[i], float(np.sqrt(density * end["bandwidth_hz"][i])))
    limited = end["limited"] | (end["amplitude_fs"] <= HEARD_RE_FLOOR * floor)
    return {**end, "floor_fs": floor, "limited": limited}
