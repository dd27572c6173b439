"""Where in frequency a tone lies: the strongest line near the expected one."""

import numpy as np

from grooveledger.capture.fft_length import fast_length
from grooveledger.capture.stored_samples import Samples

#: This many cycles of a tone are looked at, but no shorter and no longer a stretch than this, s.
TONE_LOOK_CYCLES = 400.0
TONE_LOOK_S = (1.0, 4.0)
#: It is looked at at a rate this many times its frequency at least: what folds down is weak.
LOOK_RATE_RATIO = 10.0


def tone_hz(
    samples: Samples, sample_rate_hz: float, expected_hz: float, tolerance: float
) -> tuple[float, int]:
    """Return the strongest line's frequency near the expected one, and the channel it is louder in.

    Parameters
    ----------
    samples : Samples, shape (2, n)
    tolerance : float
        Half-width of the search, as a fraction of `expected_hz`.
    """
    look_s = float(np.clip(TONE_LOOK_CYCLES / expected_hz, *TONE_LOOK_S))
    length = min(samples.shape[1], int(look_s * sample_rate_hz))
    start = (samples.shape[1] - length) // 2
    middle = np.asarray(samples[:, start : start + length])
    look, rate_hz = look_at(middle, sample_rate_hz, expected_hz * (1.0 + tolerance))
    length = look.shape[1]
    padded = fast_length(2 * length)
    window = np.hanning(length).astype(np.float32)
    power = np.abs(np.fft.rfft(look * window, padded)) ** 2
    low = max(1, int(expected_hz * (1.0 - tolerance) / rate_hz * padded))
    high = min(
        power.shape[1] - 1,
        int(np.ceil(expected_hz * (1.0 + tolerance) / rate_hz * padded)) + 1,
    )
    channel = int(np.argmax(power[:, low:high].max(axis=1)))
    peak = low + int(np.argmax(power[channel, low:high]))
    bin_ = peak + parabola_offset(power[channel, peak - 1 : peak + 2])
    return bin_ * rate_hz / padded, channel


def look_at(samples: np.ndarray, sample_rate_hz: float, top_hz: float) -> tuple[np.ndarray, float]:
    """Return the means of as many samples as may be where nothing above `top_hz` is looked for.

    Their rate.
    """
    every = max(1, int(sample_rate_hz / (LOOK_RATE_RATIO * top_hz)))
    if every == 1:
        return samples, sample_rate_hz
    length = samples.shape[1] // every
    grouped = samples[:, : every * length].reshape(len(samples), length, every)
    # As a product: a mean over so few is four times slower.
    return grouped @ np.full(every, 1.0 / every, np.float32), sample_rate_hz / every


def parabola_offset(power: np.ndarray) -> float:
    """Place of the vertex of a parabola through three log powers, in bins from the middle one."""
    if len(power) < 3 or not np.all(power > 0):
        return 0.0
    low, middle, high = np.log(power.astype(np.float64))
    bend = low - 2.0 * middle + high
    return float(np.clip(0.5 * (low - high) / bend, -0.5, 0.5)) if bend < 0 else 0.0
