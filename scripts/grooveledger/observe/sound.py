"""The sound of one part of a track."""

from dataclasses import dataclass

import numpy as np
import soundfile as sf

from grooveledger.capture import reader
from grooveledger.capture.stored_samples import Samples, StoredSamples
from grooveledger.faults import CaptureFault
from grooveledger.observe.decimation import decimated, kaiser_lowpass
from grooveledger.observe.order_tracking import PhasePath

#: Sound read either side of a part, s: boundaries are known to 0.15 s.
MARGIN_S = 0.3
#: Frames of a part that memory holds: a minute and a half at 192 kHz. Of more it holds pieces.
HELD_FRAMES = 1 << 24
#: Sound is read with samples as few as the highest frequency of interest allows: at least this many
#: times it. The filter's ripple in the band, and what folds into it, is so far down.
THINNED_RATE_RATIO = 3.0
THINNED_ATTENUATION_DB = 100.0


@dataclass(frozen=True)
class Sound:
    """Samples of a part of a track and a little more.

    Attributes
    ----------
    samples : Samples, shape (2, n)
    sample_rate_hz : float
    start_s : float
        Where in the capture the samples begin.
    begin_s, end_s : float
        Where the part lies, from the first of the samples.
    """

    samples: Samples
    sample_rate_hz: float
    start_s: float
    begin_s: float
    end_s: float

    def thinned(self, begin_s: float, end_s: float, top_hz: float, beside_s: float) -> "Sound":
        """Return a stretch with as few samples as what lies below `top_hz` needs.

        Parameters
        ----------
        begin_s, end_s : float
            The stretch, from the first of the samples.
        top_hz : float
            Highest frequency of interest.
        beside_s : float
            Sound kept before and after it; beyond the ends of the samples there is silence.
        """
        rate = self.sample_rate_hz
        every = max(1, int(rate / (THINNED_RATE_RATIO * top_hz)))
        taps = np.ones(1)
        if every > 1:
            taps = kaiser_lowpass(top_hz, rate / every - top_hz, rate, 1, THINNED_ATTENUATION_DB)
        half = 0.5 * (len(taps) - 1)
        start = max(0, int((begin_s - beside_s) * rate - half))
        stop = max(start, int((end_s + beside_s) * rate + half) + 1)
        samples = self.samples[:, start:stop]
        if every > 1:
            samples = decimated(samples, taps, every)
        first = start + half
        shift_s = first / rate
        return Sound(
            samples,
            rate / every,
            self.start_s + shift_s,
            begin_s - shift_s,
            end_s - shift_s,
        )

    def position_of(self, part: "Sound", position: np.ndarray) -> np.ndarray:
        """Return where samples of a part of this sound lie among the samples of the whole."""
        offset = (part.start_s - self.start_s) * self.sample_rate_hz
        return offset + position * (self.sample_rate_hz / part.sample_rate_hz)

    def path_on(self, part: "Sound", path: PhasePath) -> PhasePath:
        """Return a path along this sound as one along a part of it."""
        return path.resampled(
            (part.start_s - self.start_s) * self.sample_rate_hz,
            self.sample_rate_hz / part.sample_rate_hz,
        )


def read_sound(
    file: sf.SoundFile, begin_s: float, end_s: float, margin_s: float = MARGIN_S
) -> Sound:
    """Read a part of an open capture, and a margin at each end as far as there is any.

    Raises
    ------
    CaptureFault
        There is nothing to be read.
    """
    rate = file.samplerate
    start = max(0, int((begin_s - margin_s) * rate))
    stop = min(int((end_s + margin_s) * rate), file.frames)
    if stop - start > HELD_FRAMES:
        samples: Samples = StoredSamples.of(reader.blocks(file, start, stop))
    else:
        samples = reader.stretch(file, start, stop)
    if not samples.shape[1]:
        raise CaptureFault(f"nothing can be read at {begin_s:.1f} s, where a track was located")
    start_s = start / rate
    return Sound(samples, rate, start_s, begin_s - start_s, end_s - start_s)
