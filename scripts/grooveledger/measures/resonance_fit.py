"""The second-order resonance that fits a low sweep, and the compliance that follows from it."""

from typing import NamedTuple

import numpy as np
import pyarrow as pa

from grooveledger import tables
from grooveledger.context import CaptureContext
from grooveledger.measures.resonance import axis_response
from grooveledger.plan import tracks_for
from grooveledger.resonance_physics import compliance_um_per_mn, high_pass_response, peak_hz
from grooveledger.schemas.measure import RESONANCE_FIT as TABLE

#: Fewest points that a fit of three parameters is trusted with.
FEWEST_POINTS = 8
#: Departure of a real arm from the model that no point is better than, dB (our choice): keeps the
#: few quietest points from deciding alone.
MODEL_DB = 0.1
#: Starting points: resonances across the sweep, and quality factors from damped to sharp.
START_FREQUENCIES = 40
START_Q = (0.5, 1.0, 2.0, 4.0, 8.0)
ITERATIONS = 40
#: A fit looks so far beyond the sweep's ends, and for a Q within this range; what ends on a bound
#: is no resonance (damped arms have a Q near 1, undamped ones 2 to 10: common practice).
BEYOND, Q_RANGE = 2.0, (0.2, 50.0)
#: Dynamic compliance at 10 Hz over the static figure of a data sheet (common practice).
DYNAMIC_PART_OF_STATIC = 0.5
DB_PER_NEPER = 20.0 / np.log(10.0)


class ResonanceFit(NamedTuple):
    """A fitted resonance: undamped frequency and its standard uncertainty, Q, gain, misfit."""

    resonance_hz: float
    uncertainty_hz: float
    q: float
    gain_db: float
    residual_db: float


def measure(context: CaptureContext) -> pa.Table:
    """Fit the resonance of every low sweep.

    `peak_db` is the height of the fitted curve's top, within the sweep, above the fit one octave
    below the track's upper end. The compliance assumes a simple spring and needs the cartridge's
    mass. A sweep in which no resonance can be fitted, or whose fit lies outside the sweep, gives a
    row of nulls.
    """
    parts = []
    cartridge = context.cartridge
    for track in tracks_for(TABLE.name, context.side):
        curve = axis_response(context, track)
        found = fit_resonance(curve.frequency_hz, curve.response_db, curve.noise_db)
        figures = dict.fromkeys(
            ("resonance_hz", "peak_db", "q", "dynamic_compliance_um_per_mn", "residual_db")
        )
        uncertainty_hz = None
        if found is not None:
            top_hz = np.clip(
                peak_hz(found.resonance_hz, found.q), curve.frequency_hz[0], curve.frequency_hz[-1]
            )
            ends_hz = np.array([top_hz, 0.5 * track.highest_hz])
            top_db, reference_db = _model_db(ends_hz, found.resonance_hz, found.q)
            figures.update(
                resonance_hz=found.resonance_hz,
                peak_db=top_db - reference_db,
                q=found.q,
                residual_db=found.residual_db,
            )
            if cartridge.mass_g is not None:
                mass_g = context.chain.arm_effective_mass_g + cartridge.mass_g
                figures["dynamic_compliance_um_per_mn"] = float(
                    compliance_um_per_mn(mass_g, found.resonance_hz)
                )
            uncertainty_hz = found.uncertainty_hz
        static = cartridge.static_compliance_um_per_mn
        parts.append(
            tables.build(
                TABLE,
                {
                    "capture": context.capture,
                    "track": [track.track],
                    "axis": track.modulation,
                    **figures,
                    "rule_of_thumb_um_per_mn": (
                        None if static is None else DYNAMIC_PART_OF_STATIC * static
                    ),
                    "resonance_uncertainty_hz": uncertainty_hz,
                },
            )
        )
    return tables.concat(TABLE, parts)


def fit_resonance(
    frequency_hz: np.ndarray, response_db: np.ndarray, noise_db: np.ndarray
) -> ResonanceFit | None:
    """Fit gain, resonance and Q of a second-order high-pass to a response in dB.

    Weighted least squares by damped Gauss-Newton steps in gain, log frequency and log Q.

    Parameters
    ----------
    frequency_hz, response_db, noise_db : ndarray, shape (n,)
        The curve, frequencies rising, and the standard deviation of its noise.

    Returns
    -------
    ResonanceFit or None
        None for too few points, or where the best fit is no resonance within the sweep.
    """
    if len(frequency_hz) < FEWEST_POINTS or np.isnan(response_db).any():
        return None
    weight = 1.0 / np.hypot(noise_db, MODEL_DB)
    state = _best_start(frequency_hz, response_db, weight)
    low_hz, high_hz = frequency_hz[0], frequency_hz[-1]
    lowest = np.array([-np.inf, np.log(low_hz / BEYOND), np.log(Q_RANGE[0])])
    highest = np.array([np.inf, np.log(high_hz * BEYOND), np.log(Q_RANGE[1])])
    damping = 1e-3
    misfit, slopes = _misfit(state, frequency_hz, response_db, weight)
    for _ in range(ITERATIONS):
        normal = slopes.T @ slopes
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), slopes.T @ misfit)
        trial = np.clip(state + np.clip(step, -1.0, 1.0), lowest, highest)
        trial_misfit, trial_slopes = _misfit(trial, frequency_hz, response_db, weight)
        if trial_misfit @ trial_misfit <= misfit @ misfit:
            state, misfit, slopes, damping = (
                trial,
                trial_misfit,
                trial_slopes,
                max(0.1 * damping, 1e-9),
            )
        else:
            damping *= 10.0
    gain_db, resonance_hz, q = state[0], float(np.exp(state[1])), float(np.exp(state[2]))
    if not (low_hz <= resonance_hz <= high_hz and Q_RANGE[0] < q < Q_RANGE[1]):
        return None
    variance = misfit @ misfit / (len(misfit) - len(state))
    spread = np.sqrt(variance * np.linalg.inv(slopes.T @ slopes)[1, 1])
    residual_db = np.sqrt(np.mean((misfit / weight) ** 2))
    return ResonanceFit(
        resonance_hz, float(resonance_hz * spread), q, float(gain_db), float(residual_db)
    )


def _best_start(
    frequency_hz: np.ndarray, response_db: np.ndarray, weight: np.ndarray
) -> np.ndarray:
    """Gain (dB), log resonance and log Q of the best of a grid of starting points."""
    starts = []
    for resonance_hz in np.geomspace(frequency_hz[0], frequency_hz[-1], START_FREQUENCIES):
        for q in START_Q:
            rest_db = response_db - _model_db(frequency_hz, resonance_hz, q)
            gain_db = np.average(rest_db, weights=weight**2)
            misfit = np.sum((weight * (rest_db - gain_db)) ** 2)
            starts.append((misfit, gain_db, np.log(resonance_hz), np.log(q)))
    return np.array(min(starts)[1:])


def _misfit(
    state: np.ndarray, frequency_hz: np.ndarray, response_db: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Weighted residuals, shape (n,), and the model's slopes in each parameter, shape (n, 3)."""
    gain_db, resonance_hz, q = state[0], np.exp(state[1]), np.exp(state[2])
    square = (frequency_hz / resonance_hz) ** 2
    damping = square / q**2
    denominator = (square - 1.0) ** 2 + damping
    per_log_x = 2.0 - (2.0 * square * (square - 1.0) + damping) / denominator
    slopes = np.stack(
        [
            np.ones(len(frequency_hz)),
            -DB_PER_NEPER * per_log_x,
            DB_PER_NEPER * damping / denominator,
        ],
        axis=1,
    )
    model_db = gain_db + _model_db(frequency_hz, resonance_hz, q)
    return weight * (response_db - model_db), weight[:, np.newaxis] * slopes


def _model_db(frequency_hz: np.ndarray, resonance_hz: float, q: float) -> np.ndarray:
    return np.asarray(20.0 * np.log10(np.abs(high_pass_response(frequency_hz, resonance_hz, q))))
