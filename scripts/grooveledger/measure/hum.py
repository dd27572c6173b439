"""Hum: the mains frequency and its harmonics above the noise around them."""

import numpy as np

#: Mains harmonics that count as hum.
HUM_HARMONICS = 10
#: A mains line is looked for within this part of its frequency, and of this many bands more: the
#: mains wander by 0.2 % in a large grid (common practice), a Hann line is four bands wide.
MAINS_WANDER, LINE_BANDS = 0.002, 2.0
#: The noise around a line is the median of the bands within this distance of it, Hz.
LINE_NEIGHBOURS_HZ = 8.0
#: A line is there where it raises the power of its bands by this many standard deviations of noise,
#: whose mean over a time T and a bandwidth B scatters by 1 / sqrt(B T). The scatter is skewed: six
#: keep forty windows of noise alone, as many as a groove has, below.
LINE_SIGMAS = 6.0
#: Hum is stated as a bound where noise may move the sum of its lines by more than this, dB (our
#: choice), at this many standard deviations (95 %).
HUM_SIGMAS, HUM_UNSURE_DB = 2.0, 1.0
#: Noise bandwidth of a Hann window in bands (Harris 1978): so wide a band scatters.
HANN_BANDWIDTH = 1.5


def hum(
    density_per_hz: np.ndarray,
    frequency_hz: np.ndarray,
    width_hz: np.ndarray,
    seconds: float,
    mains_hz: float,
) -> tuple[float, bool]:
    """Return the power of the mains lines above the noise around them.

    Lines too weak to stand out count as well: together they may outweigh the one that does. Their
    sum is known only as well as the noise beneath them.

    Returns
    -------
    power : float
        Sum of the lines; an upper bound where limited.
    limited : bool
        True where no line stands out, and where the sum is uncertain by more than
        `HUM_UNSURE_DB`.
    """
    lines, bound, hidden, variance, any_line = 0.0, 0.0, 0.0, 0.0, False
    for harmonic_hz in mains_hz * np.arange(1, HUM_HARMONICS + 1):
        centre = int(np.argmin(np.abs(frequency_hz - harmonic_hz)))
        reach_hz = MAINS_WANDER * harmonic_hz + LINE_BANDS * width_hz[centre]
        away_hz = np.abs(frequency_hz - harmonic_hz)
        at_line = away_hz <= reach_hz
        around = ~at_line & (away_hz <= reach_hz + LINE_NEIGHBOURS_HZ)
        power = float(np.sum((density_per_hz * width_hz)[at_line]))
        bandwidth_hz = float(np.sum(width_hz[at_line]))
        noise = float(np.median(density_per_hz[around])) * bandwidth_hz
        noise /= _median_of_mean(HANN_BANDWIDTH * float(width_hz[centre]) * seconds)
        line = max(power - noise, 0.0)
        variance += (noise**2 + 2.0 * line * noise) / (bandwidth_hz * seconds)
        scatter = noise / float(np.sqrt(bandwidth_hz * seconds))
        bound += power
        if power >= noise + LINE_SIGMAS * scatter and power > 0.0:
            any_line = True
            lines += power - noise
        else:
            hidden += power - noise
    if not any_line:
        return bound, True
    total = lines + max(hidden, 0.0)
    spread = HUM_SIGMAS * float(np.sqrt(variance))
    if total + spread > 10.0 ** (HUM_UNSURE_DB / 10.0) * total:
        return total + spread, True
    return total, False


def _median_of_mean(averages: float) -> float:
    """Return the median over the mean of a power that is the mean of several independent ones.

    Of a gamma distribution, by the cube root approximation of Wilson and Hilferty (1931).
    """
    return (1.0 - 1.0 / (9.0 * max(averages, 1.0))) ** 3
