"""How one part of a track is read: which components, along which phase, how averaged."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from grooveledger.observe.carrier import tone_path
from grooveledger.observe.cells import averaged
from grooveledger.observe.filtered import FilteredStretch, Frames, demodulated
from grooveledger.observe.order_tracking import PhasePath
from grooveledger.observe.phase_following import Followed, followed_phase
from grooveledger.observe.sound import Sound
from grooveledger.observe.tone_search import tone_hz
from grooveledger.plan import Track

#: Orders are read below this part of half the sampling rate: above lies the converter's filter.
NYQUIST_PART = 0.94
#: While the phase is looked for the window has this many cycles and is at least so long, s.
SEARCH_CYCLES, SEARCH_SHORTEST_S = 6.0, 0.012
#: Sidebands of a two-tone track, as multiples of the high and the low tone.
TWO_TONE_COMPONENTS = ((1, 0), (0, 1), (1, -1), (1, 1), (1, -2), (1, 2))
#: First frame of each cell where there is one.
ONE_CELL = np.zeros(1, dtype=int)

#: Columns of the orders table, with the phase path that they were read along.
Rows = tuple[dict[str, Any], PhasePath]


class Cells(NamedTuple):
    """Frames that are averaged, and the first of each cell, counted from the first of them."""

    inside: slice
    edges: np.ndarray


class TrackedTone(NamedTuple):
    """A steady tone's phase, the louder channel and where its windows lie."""

    phase: Followed
    channel: int
    stretch: FilteredStretch


class Reading:
    """A part of a track with its sound, and what it is read with.

    Parameters
    ----------
    sound : Sound
    track : Track
    settings : mapping
        The configuration's `orders` block.
    speed : float
        Played relative to nominal frequency.
    tolerance : float
        How far from there a tone is looked for, as a part of its frequency.
    """

    def __init__(
        self,
        sound: Sound,
        track: Track,
        settings: Mapping[str, Any],
        speed: float,
        tolerance: float,
    ) -> None:
        self.sound = sound
        self.track = track
        self.settings = settings
        self.speed = speed
        self.tolerance = tolerance
        self.top_hz = NYQUIST_PART * 0.5 * sound.sample_rate_hz

    def steady(self, nominal_hz: float, step: int | None) -> Iterator[Rows]:
        """Read a tone or a step."""
        tracked = self._tracked_tone(nominal_hz, self._window_s(nominal_hz))
        if tracked is None:
            return
        path, stretch = tracked.phase.path, tracked.stretch
        middle = 0.5 * (stretch.begin_s + stretch.end_s)
        orders = self.orders(float(self.frequency_hz(path, middle)))
        if not orders:
            return
        components = [(n,) for n in orders]
        frames = demodulated(self.sound, [path], components, stretch)
        rows = self.rows(frames, tracked.channel, components)
        yield self.named(rows, nominal_hz, step), path

    def two_tone(self) -> Iterator[Rows]:
        """Read the tones of a two-tone track and the lines beside the high one."""
        low_hz, high_hz = self.track.frequencies_hz
        window_s = self._window_s(min(low_hz, high_hz - 2.0 * low_hz))
        high_tone = self._tracked_tone(high_hz, window_s)
        low_tone = self._tracked_tone(low_hz, window_s)
        if high_tone is None or low_tone is None:
            return
        high, channel, stretch = high_tone
        paths = [high.path, low_tone.phase.path]
        frames = demodulated(self.sound, paths, TWO_TONE_COMPONENTS, stretch)
        rows = self.rows(frames, channel, TWO_TONE_COMPONENTS)
        yield self.named(rows, high_hz, None), high.path

    def rows(
        self,
        frames: Frames,
        channel: int,
        components: Sequence[Sequence[int]],
        cells: Cells | None = None,
        followed: np.ndarray | None = None,
        ticked: np.ndarray | None = None,
    ) -> dict[str, Any]:
        """Return the readings of cells of frames, as columns, times in the capture.

        A steady tone has one cell, of all frames. Frames count as followed, and as free of ticks,
        where nothing else is known.
        """
        rate = frames.sound.sample_rate_hz
        if followed is None:
            followed = np.ones(frames.span.frames, dtype=bool)
        if ticked is None:
            ticked = np.zeros(frames.span.frames, dtype=bool)
        inside, edges = Cells(slice(None), ONE_CELL) if cells is None else cells
        columns = averaged(
            frames.z,
            frames.span,
            rate,
            frames.played_hz,
            edges,
            components,
            channel,
            followed,
            ticked,
            inside,
            is_steady=cells is None,
        )
        # Near half the sampling rate the highest orders of an octave end before its top.
        read = columns["order"] * columns["played_hz"] < self.top_hz
        columns = {name: values[read | (columns["order"] <= 1)] for name, values in columns.items()}
        columns["time_s"] = columns["time_s"] + frames.sound.start_s
        return columns

    def named(
        self, columns: dict[str, Any], nominal_hz: float | None, step: int | None
    ) -> dict[str, Any]:
        """Return readings with their track, step and nominal frequency (a sweep's by the speed)."""
        rows = len(columns["order"])
        return {
            **columns,
            "track": np.full(rows, self.track.track),
            "step": np.full(rows, np.nan if step is None else float(step)),
            "nominal_hz": (
                columns["played_hz"] / self.speed
                if nominal_hz is None
                else np.full(rows, nominal_hz)
            ),
        }

    def orders(self, fundamental_hz: float) -> list[int]:
        """Return the orders that lie below the highest frequency read."""
        highest = min(int(self.settings["order_max"]), int(self.top_hz / fundamental_hz))
        return list(range(1, highest + 1))

    def frequency_hz(self, path: PhasePath, at_s: float | np.ndarray) -> np.ndarray:
        """Return the frequency along a path at times from the first sample."""
        rate = self.sound.sample_rate_hz
        return path.at(np.asarray(at_s) * rate)[1] * rate

    def _window_s(self, frequency_hz: float) -> float:
        cycles, shortest_s = self.settings["window_cycles"], self.settings["window_shortest_s"]
        return float(max(cycles / (frequency_hz * self.speed), shortest_s))

    def _tracked_tone(self, nominal_hz: float, window_s: float) -> TrackedTone | None:
        rate = self.sound.sample_rate_hz
        begin, end = self.sound.begin_s, self.sound.end_s
        expected_hz = nominal_hz * self.speed
        if end - begin < 2.0 * window_s or expected_hz >= self.top_hz:
            return None
        inside = self.sound.samples[:, max(0, int(begin * rate)) : int(end * rate)]
        played_hz, channel = tone_hz(inside, rate, expected_hz, self.tolerance)
        guess = tone_path(played_hz, self.sound.samples.shape[1], rate)
        search_s = max(SEARCH_CYCLES / played_hz, SEARCH_SHORTEST_S, window_s / 4.0)
        phase = followed_phase(
            self.sound, guess, channel, [FilteredStretch(begin, end, search_s, True)]
        )
        if phase is None:
            return None
        return TrackedTone(phase, channel, FilteredStretch(begin, end, window_s, True))
