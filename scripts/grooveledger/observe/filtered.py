"""Components of a stretch of sound through the tracking filter."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from grooveledger.observe.cells import Span, played_hz, span_between
from grooveledger.observe.order_tracking import OVERLAP, PhasePath, demodulate
from grooveledger.observe.sound import Sound

#: Between and beside the frames, wow and a sweep take a frequency no further than this.
WANDER_RATIO = 1.05


class FilteredStretch(NamedTuple):
    """Where frames of one window's length are wanted, in a sound."""

    begin_s: float
    end_s: float
    window_s: float
    #: Whether the windows, or else their centres alone, lie within the stretch.
    whole_windows: bool = False


class Frames(NamedTuple):
    """What a tracking filter gave of a stretch."""

    #: Shape (frames, components, channels).
    z: np.ndarray
    span: Span
    #: The sound that it was read from, which `span` is of, and the paths along that.
    sound: Sound
    paths: list[PhasePath]

    @property
    def played_hz(self) -> np.ndarray:
        """Played frequency of the first path at the frames' centres."""
        return played_hz(self.paths[0], self.span, self.sound.sample_rate_hz)


def demodulated(
    sound: Sound,
    paths: Sequence[PhasePath],
    components: Sequence[Sequence[int]],
    stretch: FilteredStretch,
) -> Frames:
    """Read components of a stretch, along paths of the sound, at the lowest rate that holds them.

    A window passes half its hops' number of bins to either side of a component.
    """
    begin_s, end_s, window_s, whole_windows = stretch
    rate = sound.sample_rate_hz
    ends = np.array([begin_s, end_s]) * rate
    path_hz = np.array([path.at(ends)[1] * rate for path in paths])
    highest_hz = float(np.max(np.abs(np.array(components) @ path_hz)))
    top_hz = WANDER_RATIO * highest_hz + 0.5 * OVERLAP / window_s
    part = sound.thinned(begin_s, end_s, top_hz, window_s)
    span = span_between(part.begin_s, part.end_s, window_s, part.sample_rate_hz, whole_windows)
    local = [sound.path_on(part, path) for path in paths]
    return Frames(demodulate(part.samples, local, components, *span), span, part, local)
