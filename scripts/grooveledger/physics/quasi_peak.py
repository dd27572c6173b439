"""The quasi-peak meter of ITU-R BS.468-4, as a rectifier and a movement that meet its tests.

The recommendation describes the meter by what it reads of tone bursts, not by a circuit. Here a
full-wave rectifier charges a capacitor quickly and lets it go slowly, and a first-order movement
follows: three time constants, fitted to the readings of 5 kHz bursts (`BURST_READINGS_PCT` and
`REPEATED_BURST_READINGS_PCT`).
"""

import numpy as np

#: ITU-R BS.468-4, tables 2 and 3: length in ms, or bursts of 5 ms a second; reading, its lower and
#: its upper limit in per cent of that of the steady tone. FROM MEMORY: of the recommendation only
#: table 1 could be read.
BURST_READINGS_PCT = (
    (1.0, 17.0, 13.5, 21.4),
    (2.0, 26.6, 22.4, 31.6),
    (5.0, 40.0, 34.0, 46.0),
    (10.0, 48.0, 41.0, 55.0),
    (20.0, 52.0, 44.0, 60.0),
    (50.0, 59.0, 50.0, 68.0),
    (100.0, 68.0, 58.0, 78.0),
    (200.0, 80.0, 68.0, 92.0),
)
REPEATED_BURST_READINGS_PCT = (
    (2.0, 48.0, 43.0, 53.0),
    (10.0, 77.0, 72.0, 82.0),
    (100.0, 97.0, 94.0, 100.0),
)
#: Our fit to them, with cells of about `CELL_S`: the rectifier's time constants and the movement's.
CHARGE_S, DISCHARGE_S, MOVEMENT_S = 1.66e-3, 0.299, 0.143
#: The rectifier's state changes once a cell, by the mean charge of the cell's samples.
CELL_S = 0.5e-3


def sine_state() -> float:
    """Return the rectifier's state on a steady sine of peak 1, where it charges as it discharges.

    The mean of |sin| above v is (2 / pi) (sqrt(1 - v^2) - v arccos v).
    """
    low, high = 0.0, 1.0
    for _ in range(60):
        v = 0.5 * (low + high)
        charge = 2.0 / np.pi * (np.sqrt(1.0 - v * v) - v * np.arccos(v))
        low, high = (v, high) if charge / CHARGE_S > v / DISCHARGE_S else (low, v)
    return low


#: Reading over state: the meter reads the rms of a steady sine.
SINE_READING = float(np.sqrt(0.5)) / sine_state()


class QuasiPeakMeter:
    """Meters side by side, whose state goes on from one stretch of signal to the next."""

    def __init__(self, shape: tuple[int, ...], cell_s: float) -> None:
        """Begin at rest.

        Parameters
        ----------
        shape : tuple of int
            How many signals are read at once.
        cell_s : float
            Length of a cell, close to `CELL_S`.
        """
        self._shape = shape
        self._cell_s = cell_s
        self._charge = np.zeros(int(np.prod(shape)), np.float32)
        self._needle = np.zeros(len(self._charge))

    def read(self, cells: np.ndarray) -> np.ndarray:
        """Return what each meter reads at the end of every cell.

        Parameters
        ----------
        cells : ndarray of float32, shape (cells, *shape, samples)
            The weighted signals; those that several meters read need be there once only, along an
            axis of length 1.

        Returns
        -------
        ndarray, shape (cells, *shape)
            Rms of the steady sine that would read the same.
        """
        count, samples = len(cells), cells.shape[-1]
        meters = len(self._charge)
        # The mean of what exceeds the charge is the mean of the greater of both, less the charge: a
        # last column, which the charge always exceeds, makes each step one product. It returns the
        # charge as often as there are columns, ready for the next step, in the place of the cell.
        steps = np.empty((count, *self._shape, samples + 1), np.float32)
        np.abs(cells, out=steps[..., :samples])
        steps[..., samples] = -1.0
        steps = steps.reshape(count, meters, samples + 1)
        charging = self._cell_s / CHARGE_S
        weights = np.full((samples + 1, samples + 1), charging / samples, np.float32)
        weights[-1] = 1.0 - self._cell_s / DISCHARGE_S - charging
        charge = np.repeat(self._charge[:, np.newaxis], samples + 1, axis=1)
        greater = np.empty_like(charge)
        for cell in steps:
            np.maximum(cell, charge, out=greater)
            charge = greater.dot(weights, out=cell)
        self._charge = charge[:, 0].copy()
        readings = SINE_READING * self._followed(steps[:, :, 0].astype(float))
        return readings.reshape(count, *self._shape)

    def _followed(self, states: np.ndarray) -> np.ndarray:
        """Return where the needle is after each state: x += (state - x) cell / MOVEMENT_S."""
        share = self._cell_s / MOVEMENT_S
        fall = (1.0 - share) ** np.arange(1, len(states) + 1)[:, np.newaxis]
        needle = fall * (self._needle + share * np.cumsum(states / fall, axis=0))
        self._needle = needle[-1]
        return needle
