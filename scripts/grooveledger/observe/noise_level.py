"""Weighted levels of a silent groove as a meter reads them, ticks left in and bridged."""

from collections.abc import Iterator

import numpy as np

from grooveledger.observe.ticks import Bridged, cell_length
from grooveledger.physics.equalisation import replay_response
from grooveledger.physics.quasi_peak import QuasiPeakMeter
from grooveledger.physics.weighting import a_weighting_response, weighting_468_response

#: Cells of the tick detector in one of the meter: 0.5 ms.
TICK_CELLS = 2
#: Cells that are filtered at once, and those at the beginning that the filters still remember:
#: 0.1 s, after which the slowest of them (A-weighting, 20.6 Hz) has fallen by more than 100 dB. At
#: the end the jump from a block's last sample to its first rings ahead of itself, since the filters
#: end at half the sampling rate.
BLOCK_CELLS, MEMORY_CELLS, AHEAD_CELLS = 2400, 200, 20
READ_CELLS = slice(MEMORY_CELLS, BLOCK_CELLS - AHEAD_CELLS)
#: Samples a second that the filtered sound keeps at least; the weightings leave little above.
KEPT_RATE_HZ = 44_100.0
#: The meters' needles have settled after so long, s; of a short groove half of it.
SETTLED_S = 1.0
#: What the sound is read as: as recorded, or through the ideal replay curve as well.
EQUALISATIONS = ("flat", "iec98")
CHANNELS = ("left", "right", "sum", "difference")


class NoiseLevels:
    """Levels of one groove, from its stretches in turn."""

    def __init__(self, sample_rate_hz: float, seconds: float) -> None:
        self._cell = TICK_CELLS * cell_length(sample_rate_hz)
        every = next(
            n for n in range(int(sample_rate_hz / KEPT_RATE_HZ) or 1, 0, -1) if self._cell % n == 0
        )
        self._kept = self._cell // every
        self._rate = sample_rate_hz
        length = BLOCK_CELLS * self._cell
        hz = np.fft.rfftfreq(length, 1.0 / sample_rate_hz)[: BLOCK_CELLS * self._kept // 2 + 1]
        weightings = a_weighting_response(hz), weighting_468_response(hz)
        #: By weighting and equalisation. Fewer samples come back than went in, and the way there is
        #: divided by the root of the length (`norm` below).
        self._gains = np.array(
            [[gain * replay_response(hz, curve) for curve in EQUALISATIONS] for gain in weightings],
            np.complex64,
        ) * np.float32(np.sqrt(length) / every)
        #: With ticks and without.
        self._shape = 2, len(EQUALISATIONS), len(CHANNELS)
        cell_s = self._cell / sample_rate_hz
        self._meter = QuasiPeakMeter(self._shape, cell_s)
        self._held = np.zeros((2, 2, MEMORY_CELLS * self._cell), np.float32)
        self._spoilt = np.zeros(0, bool)
        self._settled = round(min(SETTLED_S, 0.5 * seconds) * sample_rate_hz / self._cell)
        #: Of every cell and of those away from ticks: how many, and the sums of the mean squares
        #: through either weighting and of the meter's readings, these three first.
        self._counts = np.zeros(2)
        self._sums = np.zeros((3, 2, *self._shape))
        self._highest = np.zeros(self._shape)
        self._cells = 0

    def push(self, stretch: Bridged) -> None:
        """Take the next stretch, a whole number of cells long."""
        both = np.stack([stretch.raw, stretch.samples])
        spoilt = stretch.spoilt.reshape(-1, TICK_CELLS).any(axis=1)
        self._spoilt = np.concatenate([self._spoilt, spoilt])
        self._hold(both)

    def _hold(self, sound: np.ndarray) -> None:
        """Take sound that follows, and read every block that it completes."""
        self._held = np.concatenate([self._held, sound], axis=2)
        step = (READ_CELLS.stop - READ_CELLS.start) * self._cell
        while self._held.shape[2] >= BLOCK_CELLS * self._cell:
            self._filter(self._held[:, :, : BLOCK_CELLS * self._cell])
            self._held = self._held[:, :, step:]

    def _filter(self, sound: np.ndarray) -> None:
        """Weight one block and let the meter read what follows its memory."""
        # Where nothing is bridged, one of the two is enough.
        kinds = sound[:1] if np.array_equal(sound[0], sound[1]) else sound
        # Without `norm` NumPy transforms float32 in double precision, at three times the cost.
        spectrum = np.fft.rfft(kinds, axis=2, norm="ortho")[:, :, : self._gains.shape[-1]]
        spectrum = np.swapaxes(spectrum, 0, 1)[:, :, np.newaxis]
        read = []
        for gains in self._gains:
            shape = len(CHANNELS), len(kinds), len(EQUALISATIONS), BLOCK_CELLS * self._kept
            weighted = np.empty(shape, np.float32)
            left, right = weighted[:2] = np.fft.irfft(spectrum * gains, axis=3)
            np.add(left, right, out=weighted[2])
            np.subtract(left, right, out=weighted[3])
            weighted[2:] *= np.sqrt(np.float32(0.5))
            cells = weighted.reshape(*shape[:3], BLOCK_CELLS, self._kept)[:, :, :, READ_CELLS]
            read.append(np.einsum("ckets,ckets->tkec", cells, cells) / self._kept)
        # The last of the weightings is that of the meter.
        read.append(self._meter.read(cells.transpose(3, 1, 2, 0, 4)))
        self._add(read)

    def _add(self, read: list[np.ndarray]) -> None:
        """Add up what was read of the cells that follow."""
        first = self._cells
        self._cells += len(read[0])
        begin = max(first, self._settled)
        end = min(self._cells, len(self._spoilt))
        if begin >= end:
            return
        chosen = np.ones((2, end - begin))
        chosen[1] = ~self._spoilt[begin:end]
        self._counts += chosen.sum(axis=1)
        parts = [part[begin - first : end - first] for part in read]
        for sums, part in zip(self._sums, parts, strict=True):
            sums += np.tensordot(chosen, part, 1)
        self._highest = np.maximum(self._highest, parts[-1].max(axis=0))

    def rows(self) -> Iterator[dict[str, object]]:
        """Yield the levels of each channel and equalisation, and end the groove."""
        self._hold(np.zeros((2, 2, BLOCK_CELLS * self._cell), np.float32))
        means = self._sums / np.maximum(self._counts, 1)[:, None, None, None]
        every, clean = means.transpose(1, 2, 3, 4, 0)
        clean = clean if self._counts[1] else every
        for i, curve in enumerate(EQUALISATIONS):
            for j, channel in enumerate(CHANNELS):
                raw, bridged = every[:, i, j]
                a_square, square_468, _ = clean[1, i, j]
                yield {
                    "channel": channel,
                    "equalisation": curve,
                    "a_fs": float(np.sqrt(a_square)),
                    "a_with_ticks_fs": float(np.sqrt(raw[0])),
                    "weighted_468_fs": float(np.sqrt(square_468)),
                    "quasi_peak_468_fs": float(bridged[2]),
                    "quasi_peak_468_with_ticks_fs": float(raw[2]),
                    "quasi_peak_468_highest_fs": float(self._highest[0, i, j]),
                }
