"""Harmonics at the cartridge's terminals, with what noise leaves of them."""

from collections.abc import Mapping

import numpy as np

from grooveledger.measure import terminals
from grooveledger.measure.readings import Readings
from grooveledger.physics.distortion import thd_re_fundamental
from grooveledger.physics.noise_floor import is_heard, is_stated, sum_noise, upper_bound
from grooveledger.plan import Chain

#: Tolerance that a stated distortion stands for, as a part of itself.
TOLERANCE = 0.10


def harmonic_lines(orders: Mapping[str, np.ndarray]) -> list[tuple[int, int]]:
    """Return the harmonic lines 1, 2, ... that an observation holds, at least up to the fifth."""
    highest = max(orders["order"], default=0)
    return [(order, 0) for order in range(1, max(int(highest), 5) + 1)]


class Harmonics:
    """Harmonics over the fundamental at the terminals, for n moments.

    Attributes
    ----------
    orders : ndarray, shape (m,)
        2, 3, ...
    ratio, floor : ndarray, shape (n, m)
        Harmonic, its noise power taken off, and rms noise over the fundamental; NaN where not
        observed. Where `limited`, `ratio` is an upper bound.
    single, single_noise : ndarray, shape (n, m)
        Harmonic as a figure of its own, and its standard uncertainty from noise; an upper bound,
        and NaN, where noise alone hides that order.
    noise : ndarray, shape (n,)
        Standard uncertainty of `thd` from noise; NaN where `limited`.
    level_mv : ndarray, shape (n,)
        Rms fundamental at the terminals; an upper bound where it is not `heard`.
    heard, limited : ndarray of bool, shape (n,)
        Whether the fundamental is clear of the noise, and whether the distortion is a bound: noise
        may move it by more than `TOLERANCE`.
    """

    def __init__(self, read: Readings, chain: Chain) -> None:
        orders = np.arange(1, read.amplitude_fs.shape[1] + 1)
        line_hz = read.played_hz[:, np.newaxis] * orders
        reading_mv = terminals.output_mv(read.amplitude_fs, line_hz, chain)
        noise_mv = terminals.output_mv(read.floor_fs, line_hz, chain)
        self.orders = orders[1:]
        self.heard = is_heard(reading_mv[:, :1], noise_mv[:, :1]) & ~read.limited[:, 0]
        clean_mv = terminals.denoised(reading_mv, noise_mv)
        bound_mv = upper_bound(reading_mv, noise_mv)
        self.level_mv = np.where(self.heard, clean_mv[:, 0], bound_mv[:, 0])
        fundamental_mv = np.where(self.heard, clean_mv[:, 0], np.nan)[:, np.newaxis]
        clean, bound, self.floor = (
            amplitude_mv[:, 1:] / fundamental_mv for amplitude_mv in (clean_mv, bound_mv, noise_mv)
        )
        noise = sum_noise(clean, self.floor)
        total = self.thd(clean)
        self.limited = ~(self.heard & (total > 0.0) & is_stated(noise, TOLERANCE * total))
        self.noise = np.where(self.limited, np.nan, noise)
        self.ratio = np.where(self.limited[:, np.newaxis], bound, clean)
        single_noise = sum_noise(clean[..., np.newaxis], self.floor[..., np.newaxis])
        hidden = self.limited[:, np.newaxis] | ~is_stated(single_noise, TOLERANCE * clean)
        self.single = np.where(hidden, bound, clean)
        self.single_noise = np.where(hidden, np.nan, single_noise)

    @property
    def order_max(self) -> np.ndarray:
        """Highest order observed at each moment (1: the fundamental alone), shape (n,)."""
        return np.max(np.where(np.isnan(self.ratio), 1, self.orders), axis=1)

    def thd(self, ratio: np.ndarray) -> np.ndarray:
        """Return the distortion of `ratio`, shape (n,); NaN where no harmonic was observed."""
        total = thd_re_fundamental(np.nan_to_num(ratio))
        return np.where(np.isnan(ratio).all(axis=1), np.nan, total)
