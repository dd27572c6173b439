"""The platter's motion: recorded time against capture time, in closed form."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grooveledger.simulate.conditions import Conditions

#: Newton steps from groove time to capture time; each squares the error.
NEWTON_STEPS = 6


@dataclass(frozen=True)
class Motion:
    """Speed of the groove relative to the recorded one.

    Attributes
    ----------
    error : float
        Mean relative speed less one.
    drift_per_s : float
        Its change a second.
    fluctuations : tuple of (hz, fraction, phase_rad)
        Sinusoidal parts, peak, as cosines of capture time; the first is once a revolution.
    """

    error: float
    drift_per_s: float
    fluctuations: tuple[tuple[float, float, float], ...]

    @classmethod
    def of(cls, conditions: Conditions, rpm: float, seed: int) -> "Motion":
        """Return the motion under given conditions; the seed sets the phases of the flutter."""
        error = conditions.speed_error_pct / 100.0
        turns_hz = rpm / 60.0 * (1.0 + error)
        phases = np.random.default_rng([seed, 1]).uniform(0.0, 2.0 * np.pi, 64)
        fluctuations = [
            (
                turns_hz,
                conditions.once_per_rev_pct / 100.0,
                float(np.radians(conditions.once_per_rev_phase_deg)),
            )
        ]
        for (hz, pct), phase in zip(conditions.flutter, phases, strict=False):
            fluctuations.append((hz, pct / 100.0, float(phase)))
        return cls(error, conditions.drift_pct_per_min / 6000.0, tuple(fluctuations))

    def deviation(self, time_s: npt.ArrayLike) -> np.ndarray:
        """Return the relative speed less one at capture times, s."""
        time_s = np.asarray(time_s, dtype=float)
        deviation = self.error + self.drift_per_s * time_s
        for hz, fraction, phase in self.fluctuations:
            if fraction:
                deviation = deviation + fraction * np.cos(2.0 * np.pi * hz * time_s + phase)
        return deviation

    def groove_time(self, time_s: npt.ArrayLike) -> np.ndarray:
        """Return the recorded time since the capture's start, s: the integral of speed."""
        time_s = np.asarray(time_s, dtype=float)
        passed = (1.0 + self.error) * time_s + 0.5 * self.drift_per_s * time_s**2
        for hz, fraction, phase in self.fluctuations:
            if fraction:
                turn = 2.0 * np.pi * hz
                swing = np.sin(turn * time_s + phase) - np.sin(phase)
                passed = passed + fraction / turn * swing
        return passed

    def capture_time(self, groove_s: float) -> float:
        """Return the capture time at which a recorded time passes: the inverse of `groove_time`."""
        time_s = groove_s / (1.0 + self.error)
        for _ in range(NEWTON_STEPS):
            excess = float(self.groove_time(time_s)) - groove_s
            time_s -= excess / (1.0 + float(self.deviation(time_s)))
        return time_s
