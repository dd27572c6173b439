"""The sound of one part of a track, read whole."""

from dataclasses import dataclass

import numpy as np
import soundfile as sf

from grooveledger import audio
from grooveledger.faults import CaptureFault

#: Sound read either side of a part, s: boundaries are known to 0.15 s.
MARGIN_S = 0.3


@dataclass(frozen=True)
class Sound:
    """Samples of a part of a track and a little more.

    Attributes
    ----------
    samples : numpy.ndarray, shape (2, n), float32
    sample_rate_hz : float
    start_s : float
        Where in the capture the samples begin.
    begin_s, end_s : float
        Where the part lies, from the first of the samples.
    """

    samples: np.ndarray
    sample_rate_hz: float
    start_s: float
    begin_s: float
    end_s: float


def read_sound(file: sf.SoundFile, begin_s: float, end_s: float) -> Sound:
    """Read a part of an open capture, `MARGIN_S` more at each end as far as there is any.

    Raises
    ------
    CaptureFault
        There is nothing to be read.
    """
    rate = file.samplerate
    start = max(0, int((begin_s - MARGIN_S) * rate))
    stop = int((end_s + MARGIN_S) * rate)
    samples = np.empty((2, max(0, min(stop, file.frames) - start)), np.float32)
    read = 0
    for block in audio.blocks(file, start, stop):
        samples[:, read : read + len(block)] = block.T
        read += len(block)
    if not read:
        raise CaptureFault(f"nothing can be read at {begin_s:.1f} s, where a track was found")
    start_s = start / rate
    return Sound(samples[:, :read], rate, start_s, begin_s - start_s, end_s - start_s)
