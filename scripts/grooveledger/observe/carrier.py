"""First guesses of the played phase of a steady tone, and of a sweep from where its energy lies."""

import numpy as np

from grooveledger.capture.fft_length import fast_length
from grooveledger.capture.stored_samples import Samples
from grooveledger.observe.order_tracking import PhasePath
from grooveledger.observe.tone_search import look_at, parabola_offset
from grooveledger.plan import Track

#: Spacing of a path's knots, s: a sweep is a cubic to far better than a thousandth of a cycle in
#: it.
KNOT_S = 1e-3
#: A sweep's first guess looks at so many frames, each at least so long and of so many cycles.
SWEEP_FRAMES = 200
SWEEP_FRAME_S = 0.05
SWEEP_FRAME_CYCLES = 6.0
#: It looks for the sweep within this ratio either side of where the plan has it.
SWEEP_SEARCH_RATIO = 1.25
#: Frames whose time lies further than this from the fitted law are left out, s.
SWEEP_OUTLIER_S = 0.15
#: Half of the frames lie nearer to the law than this, as a fraction of the frequency, or there is
#: no sweep: noise lies anywhere in the search.
SWEEP_OFF_MAX = 0.04


def tone_path(played_hz: float, length: int, sample_rate_hz: float) -> PhasePath:
    """Path of a steady tone over `length` samples."""
    spacing = KNOT_S * sample_rate_hz
    knots = int(np.ceil(length / spacing)) + 1
    return PhasePath(spacing, np.arange(knots) * KNOT_S * played_hz)


def sweep_path(
    samples: Samples, sample_rate_hz: float, track: Track, expected_start_s: float, speed: float
) -> tuple[PhasePath, int, float, float] | None:
    """Fit a sweep's law to where its energy lies.

    A platter that runs at `speed` times its nominal speed plays f(t) = speed * nominal(speed * t):
    the law keeps its form, and only its start and rate are to be found.

    Parameters
    ----------
    samples : Samples, shape (2, n)
    expected_start_s : float
        When the sweep should begin in `samples`.
    speed : float
        Played re nominal frequency, from the capture's tones; 1 where unknown.

    Returns
    -------
    path, channel, begin_s, end_s
        The played phase, the channel in which the sweep is louder, and where the law has its start
        and stop; None where no such sweep can be seen.
    """
    law = _Law(track, speed)
    duration_s = track.stated_duration_s / speed
    middle_hz = np.sqrt(track.lowest_hz * track.highest_hz)
    frame_s = max(SWEEP_FRAME_S, SWEEP_FRAME_CYCLES / middle_hz)
    length = int(frame_s * sample_rate_hz)
    count = max(8, min(SWEEP_FRAMES, int(2.0 * duration_s / frame_s)))
    centres_s = expected_start_s + duration_s * (np.arange(count) + 0.5) / count
    expected_hz = law.frequency_hz(centres_s - expected_start_s)
    usable = (expected_hz * frame_s >= SWEEP_FRAME_CYCLES) & (
        expected_hz * SWEEP_SEARCH_RATIO < 0.5 * sample_rate_hz
    )
    starts = np.rint(centres_s * sample_rate_hz).astype(int) - length // 2
    usable &= (starts >= 0) & (starts + length <= samples.shape[1])
    if np.count_nonzero(usable) < 4:
        return None
    centres_s, expected_hz = centres_s[usable], expected_hz[usable]
    seen_hz, power = _ridge(samples, sample_rate_hz, starts[usable], length, expected_hz)
    channel = int(np.argmax(np.median(power, axis=1)))
    seen_hz = seen_hz[channel]

    begin_s = centres_s - law.time_s(seen_hz)
    begin = float(np.median(begin_s))
    for _ in range(2):
        kept = np.abs(begin_s - begin) < SWEEP_OUTLIER_S
        if np.count_nonzero(kept) < 4:
            return None
        begin = float(np.mean(begin_s[kept]))
    off = np.abs(seen_hz / law.frequency_hz(centres_s - begin) - 1.0)
    if np.count_nonzero(kept) < len(kept) / 3 or np.median(off) > SWEEP_OFF_MAX:
        return None
    spacing = KNOT_S * sample_rate_hz
    knots_s = np.arange(int(np.ceil(samples.shape[1] / spacing)) + 1) * KNOT_S
    path = PhasePath(spacing, law.cycles(knots_s - begin))
    return path, channel, begin, begin + duration_s


class _Law:
    """Frequency against time of a sweep as played, t = 0 at its start."""

    def __init__(self, track: Track, speed: float) -> None:
        assert track.start_hz is not None
        assert track.stop_hz is not None
        self._log = track.law == "log"
        self._start_hz = track.start_hz * speed
        stop_hz, duration_s = track.stop_hz * speed, track.stated_duration_s / speed
        self._rate = (
            np.log(stop_hz / self._start_hz) / duration_s
            if self._log
            else (stop_hz - self._start_hz) / duration_s
        )
        self._span_s = duration_s

    def frequency_hz(self, t: np.ndarray) -> np.ndarray:
        if self._log:
            return np.asarray(self._start_hz * np.exp(self._rate * t))
        return np.asarray(self._start_hz + self._rate * t)

    def time_s(self, frequency_hz: np.ndarray) -> np.ndarray:
        if self._log:
            return np.asarray(np.log(frequency_hz / self._start_hz) / self._rate)
        return np.asarray((frequency_hz - self._start_hz) / self._rate)

    def cycles(self, t: np.ndarray) -> np.ndarray:
        # Beyond a second past its ends the law is of no use and an exponential could overflow.
        t = np.clip(t, -1.0, self._span_s + 1.0)
        if self._log:
            return np.asarray(self._start_hz * np.expm1(self._rate * t) / self._rate)
        return np.asarray(t * (self._start_hz + 0.5 * self._rate * t))


def _ridge(
    samples: Samples,
    sample_rate_hz: float,
    starts: np.ndarray,
    length: int,
    expected_hz: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Frequency and power of the strongest line near the expected one, shape (2, frames) each."""
    seen_hz = np.empty((2, len(starts)))
    power = np.empty((2, len(starts)))
    for i, start in enumerate(starts):
        top_hz = expected_hz[i] * SWEEP_SEARCH_RATIO
        frame = np.asarray(samples[:, start : start + length])
        look, rate_hz = look_at(frame, sample_rate_hz, top_hz)
        padded = fast_length(2 * look.shape[1])
        bins = padded / rate_hz
        window = np.hanning(look.shape[1])
        window *= 2.0 / window.sum()
        spectrum = np.fft.rfft(look * window.astype(np.float32), padded)
        low = max(1, int(expected_hz[i] / SWEEP_SEARCH_RATIO * bins))
        high = min(spectrum.shape[1] - 1, int(top_hz * bins) + 1)
        energy = np.abs(spectrum[:, low - 1 : high + 1]) ** 2
        for channel in range(2):
            peak = 1 + int(np.argmax(energy[channel, 1:-1]))
            offset = parabola_offset(energy[channel, peak - 1 : peak + 2])
            seen_hz[channel, i] = (low - 1 + peak + offset) / bins
            power[channel, i] = energy[channel, peak]
    return seen_hz, power
