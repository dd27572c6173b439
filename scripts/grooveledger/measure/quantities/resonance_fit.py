"""The second-order resonance that fits a low sweep, and the compliance that follows from it."""

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from grooveledger.measure.axis_response import axis_response
from grooveledger.measure.budget import arm_mass_part
from grooveledger.measure.context import CaptureContext
from grooveledger.measure.declaration import Covariate, Measure, Metric
from grooveledger.measure.metric_rows import (
    Figure,
    Measured,
    groups,
)
from grooveledger.physics.arm_match import DYNAMIC_PART_OF_STATIC
from grooveledger.physics.resonance import compliance_um_per_mn, high_pass_response, peak_hz
from grooveledger.physics.uncertainty import rectangular
from grooveledger.plan import Track
from grooveledger.plan.uses import is_resonance_sweep
from grooveledger.schemas.table import CAPTURE, TRACK, Table, real, text
from grooveledger.storage import tables

TABLE = Table(
    "resonance_fit",
    "measure",
    "The second-order resonance fitted to a low sweep.",
    ("capture", "track", "axis"),
    (
        CAPTURE,
        TRACK,
        text("axis", "lateral or vertical"),
        real("resonance_hz", "Hz", "undamped resonance of the fit"),
        real("peak_db", "dB", "height above the asymptote, the fit far above resonance"),
        real("q", "", "quality factor"),
        real("dynamic_compliance_um_per_mn", "um/mN", "from the moving mass and resonance_hz"),
        real("rule_of_thumb_um_per_mn", "um/mN", "half the static compliance (common practice)"),
        real("residual_db", "dB", "rms of the fit's residuals"),
        real("resonance_uncertainty_hz", "Hz", "standard uncertainty, from the fit's scatter"),
        real("asymptote_db", "dB", "the fit far above resonance, on the scale of response_db"),
        real("resonance_hz_per_db", "Hz/dB", "shift of the fit for a smooth error of 1 dB, rms"),
    ),
    revision=3,
)
SUSPENSION = frozenset({Covariate.CHAIN, Covariate.RECORD, Covariate.TEMPERATURE})

#: Fewest points that a fit of three parameters is trusted with.
FEWEST_POINTS = 8
#: Departure of a real arm from the model that no point is better than, dB (our choice): keeps the
#: few quietest points from deciding alone.
MODEL_DB = 0.1
#: Starting points: resonances across the sweep, and quality factors from damped to sharp.
START_FREQUENCIES = 40
START_Q = (0.5, 1.0, 2.0, 4.0, 8.0)
ITERATIONS = 40
#: A step that moves gain in dB, log frequency and log Q by no more than this is the last.
STEP_LEAST = 1e-10
#: A fit looks so far beyond the sweep's ends, and for a Q within this range; what ends on a bound
#: is no resonance (damped arms have a Q near 1, undamped ones 2 to 10: common practice).
BEYOND, Q_RANGE = 2.0, (0.2, 50.0)
#: A curve that departs from the model by more than this beyond its noise, rms dB, is no single
#: resonance (our choice: an undeclared high-pass at half the resonance leaves 0.7 to 1 dB and moves
#: it by 6 %, a second mode of 3 dB an octave above leaves 0.6 dB).
DEPARTURE_LIMIT_DB = 0.5
#: Correlation from point to point is taken for real from this many standard deviations, and stands
#: for no more than the most.
CORRELATION_SIGMAS, CORRELATION_MOST = 2.0, 0.95
TURN = 2.0 * np.pi
#: Steps of the differences that stand for derivatives, relative to the frequency or Q.
SLOPE_STEP, BEND_STEP = 1e-5, 1e-3
#: A record's or a preamplifier's error forgets its value over about this distance (common practice:
#: responses are smooth; `physics.uncertainty.between_db`).
SMOOTH_OCTAVES = 1.0
#: Rounds in which the driving frequency is found from the one heard; each gains a decimal or more.
HEARD_TO_DRIVEN_STEPS = 3


class ResonanceSweep(NamedTuple):
    """Points of a sweep: frequencies as heard, rising, and the rate at which they were passed.

    The rate, in hertz a second, is negative for a sweep that falls.
    """

    frequency_hz: np.ndarray
    rate_hz_s: np.ndarray


class ResonanceFit(NamedTuple):
    """A fitted resonance.

    Attributes
    ----------
    resonance_hz, uncertainty_hz : float
        Undamped resonance and its standard uncertainty.
    q, gain_db : float
        Quality factor, and the response far above resonance.
    residual_db : float
        Rms of the residuals.
    departure_db : float
        Rms of what the residuals have beyond the noise, points weighted as in the fit.
    hz_per_db : float
        Rms shift of the resonance for a smooth error of the response of 1 dB rms.
    """

    resonance_hz: float
    uncertainty_hz: float
    q: float
    gain_db: float
    residual_db: float
    departure_db: float
    hz_per_db: float


def measure(context: CaptureContext) -> pa.Table:
    """Fit the resonance of every low sweep.

    `peak_db` is the height of the fitted curve's top, within the sweep, above the fit's asymptote:
    the curve itself need not reach far enough above resonance to show it. The compliance assumes a
    simple spring and needs the cartridge's mass. A sweep in which no resonance can be fitted, or
    whose fit lies outside the sweep, gives a row of nulls; so does one that departs from the model
    by more than `DEPARTURE_LIMIT_DB`, but for `residual_db`.
    """
    parts = []
    cartridge = context.cartridge
    for track in filter(is_resonance_sweep, context.side.tracks):
        curve = axis_response(context, track)
        if track.duration_s is None:
            at = context.tracks["track"] == track.track
            lasts_s = (context.tracks["stop_s"] - context.tracks["start_s"])[at]
            track = replace(track, duration_s=float(lasts_s[0]))
        sweep = ResonanceSweep(curve.frequency_hz, sweep_rate_hz_s(track, curve.frequency_hz))
        found = fit_resonance(sweep, curve.response_db, curve.noise_db)
        figures = dict.fromkeys(
            (
                "resonance_hz",
                "peak_db",
                "q",
                "dynamic_compliance_um_per_mn",
                "residual_db",
                "asymptote_db",
                "resonance_hz_per_db",
            )
        )
        uncertainty_hz = None
        if found is not None:
            figures["residual_db"] = found.residual_db
        if found is not None and found.departure_db <= DEPARTURE_LIMIT_DB:
            top_hz = np.clip(
                peak_hz(found.resonance_hz, found.q), curve.frequency_hz[0], curve.frequency_hz[-1]
            )
            top_db = _db(high_pass_response(np.array([top_hz]), found.resonance_hz, found.q))[0]
            figures.update(
                resonance_hz=found.resonance_hz,
                peak_db=float(top_db),
                q=found.q,
                asymptote_db=found.gain_db,
                resonance_hz_per_db=found.hz_per_db,
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


def sweep_rate_hz_s(track: Track, frequency_hz: np.ndarray) -> np.ndarray:
    """Return the rate at which a sweep passes each frequency, negative where it falls."""
    start_hz, stop_hz = float(track.start_hz or 0.0), float(track.stop_hz or 0.0)
    if track.law == "log":
        return frequency_hz * np.log(stop_hz / start_hz) / track.stated_duration_s
    return np.full(len(frequency_hz), (stop_hz - start_hz) / track.stated_duration_s)


def fit_resonance(
    sweep: ResonanceSweep, response_db: np.ndarray, noise_db: np.ndarray
) -> ResonanceFit | None:
    """Fit gain, resonance and Q of a second-order high-pass to a response in dB.

    Weighted least squares by damped Gauss-Newton steps in gain, log frequency and log Q.

    Parameters
    ----------
    sweep : ResonanceSweep
        Where the curve has its points, frequencies rising.
    response_db, noise_db : ndarray, shape (n,)
        The curve, and the standard deviation of its noise.

    Returns
    -------
    ResonanceFit or None
        None for too few points, or where the best fit is no resonance within the sweep.
    """
    frequency_hz = sweep.frequency_hz
    if len(frequency_hz) < FEWEST_POINTS or np.isnan(response_db).any():
        return None
    weight = 1.0 / np.hypot(noise_db, MODEL_DB)
    state = _best_start(sweep, response_db, weight)
    low_hz, high_hz = frequency_hz[0], frequency_hz[-1]
    lowest = np.array([-np.inf, np.log(low_hz / BEYOND), np.log(Q_RANGE[0])])
    highest = np.array([np.inf, np.log(high_hz * BEYOND), np.log(Q_RANGE[1])])
    damping = 1e-3
    misfit, slopes = _misfit(state, sweep, response_db, weight)
    for _ in range(ITERATIONS):
        normal = slopes.T @ slopes
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), slopes.T @ misfit)
        if np.max(np.abs(step)) < STEP_LEAST:
            break
        trial = np.clip(state + np.clip(step, -1.0, 1.0), lowest, highest)
        trial_misfit, trial_slopes = _misfit(trial, sweep, response_db, weight)
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
    # Compared as logarithms: the exponential of a bound's is not the bound itself.
    if not (low_hz <= resonance_hz <= high_hz and lowest[2] < state[2] < highest[2]):
        return None
    variance = misfit @ misfit / (len(misfit) - len(state))
    variance *= _correlation_factor(misfit)
    spread = np.sqrt(variance * np.linalg.inv(slopes.T @ slopes)[1, 1])
    residual_db = np.sqrt(np.mean((misfit / weight) ** 2))
    beyond_noise = np.sum(misfit**2 - (weight * noise_db) ** 2) / np.sum(weight**2)
    departure_db = float(np.sqrt(max(beyond_noise, 0.0)))
    return ResonanceFit(
        resonance_hz,
        float(resonance_hz * spread),
        q,
        float(gain_db),
        float(residual_db),
        departure_db,
        resonance_hz * _shift_per_db(frequency_hz, slopes, weight),
    )


def _shift_per_db(frequency_hz: np.ndarray, slopes: np.ndarray, weight: np.ndarray) -> float:
    """Return the rms shift of the log resonance for a smooth error of 1 dB rms."""
    pull = np.linalg.solve(slopes.T @ slopes, (weight[:, np.newaxis] * slopes).T)[1]
    octaves = np.subtract.outer(np.log2(frequency_hz), np.log2(frequency_hz))
    alike = np.exp(-((octaves / SMOOTH_OCTAVES) ** 2))
    return float(np.sqrt(max(float(pull @ alike @ pull), 0.0)))


def _correlation_factor(misfit: np.ndarray) -> float:
    """Return by how much correlated residuals raise the variance of a fit.

    (1 + r) / (1 - r) of a first-order autoregressive sequence: a model error bends the residuals
    slowly, so that they are worth fewer points; 1 where r is not significant.
    """
    power = float(misfit @ misfit)
    correlation = float(misfit[1:] @ misfit[:-1]) / power if power > 0.0 else 0.0
    if correlation < CORRELATION_SIGMAS / np.sqrt(len(misfit)):
        return 1.0
    correlation = min(correlation, CORRELATION_MOST)
    return (1.0 + correlation) / (1.0 - correlation)


def _best_start(sweep: ResonanceSweep, response_db: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the gain (dB), log resonance and log Q of the best of a grid of starting points."""
    frequency_hz = sweep.frequency_hz
    resonance_hz = np.geomspace(frequency_hz[0], frequency_hz[-1], START_FREQUENCIES)
    grid = resonance_hz[:, None, None], np.array(START_Q)[:, None]
    rest_db = response_db - _db(high_pass_response(frequency_hz, *grid))
    gain_db = np.average(rest_db, axis=2, weights=weight**2)
    misfit = np.sum((weight * (rest_db - gain_db[:, :, None])) ** 2, axis=2)
    best, sharpness = np.unravel_index(np.argmin(misfit), misfit.shape)
    q = START_Q[sharpness]
    return np.array([gain_db[best, sharpness], np.log(resonance_hz[best]), np.log(q)])


def _misfit(
    state: np.ndarray, sweep: ResonanceSweep, response_db: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return weighted residuals, shape (n,), and the model's slopes by parameter, shape (n, 3)."""
    resonance_hz, q = float(np.exp(state[1])), float(np.exp(state[2]))
    model_db = swept_response_db(sweep, resonance_hz, q)
    step = 1.0 + SLOPE_STEP
    slopes = np.stack(
        [
            np.ones(len(model_db)),
            (swept_response_db(sweep, resonance_hz * step, q) - model_db) / SLOPE_STEP,
            (swept_response_db(sweep, resonance_hz, q * step) - model_db) / SLOPE_STEP,
        ],
        axis=1,
    )
    return weight * (response_db - state[0] - model_db), weight[:, np.newaxis] * slopes


def swept_response_db(sweep: ResonanceSweep, resonance_hz: float, q: float) -> np.ndarray:
    """Return the level that a sweep shows of a resonance that it passes at a finite rate.

    To first order in the rate the response is H - (j/2) w' H'' at the frequency w that drives it,
    and the frequency heard differs from that one by w' times the slope of H's phase (our expansion
    of the convolution with a sweep's slowly bending phase).
    """
    driven_hz = sweep.frequency_hz
    for _ in range(HEARD_TO_DRIVEN_STEPS):
        _, phase_slope, _ = _transfer(driven_hz / resonance_hz, q)
        driven_hz = sweep.frequency_hz - sweep.rate_hz_s * phase_slope / (TURN * resonance_hz)
    response, _, bend = _transfer(driven_hz / resonance_hz, q)
    lag = sweep.rate_hz_s / (2.0 * TURN * resonance_hz**2)
    return _db(response - 1j * lag * bend)


def _transfer(x: np.ndarray, q: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the response by frequency over resonance, its phase's slope, and second derivative."""
    below, here, above = (
        high_pass_response(x + offset, 1.0, q) for offset in (-BEND_STEP, 0.0, BEND_STEP)
    )
    slope = np.imag((above - below) / here) / (2.0 * BEND_STEP)
    return here, slope, (above - 2.0 * here + below) / BEND_STEP**2


def _db(response: np.ndarray) -> np.ndarray:
    return 20.0 * np.log10(np.maximum(np.abs(response), np.finfo(float).tiny))


def figures(measured: Measured) -> Iterator[Figure]:
    """Yield the resonance of each axis and the compliance that follows from it."""
    for track, axis, rows in groups(measured.tables, "resonance_fit", by="axis"):
        resonance_hz = float(rows["resonance_hz"][0])
        spread_hz = float(rows["resonance_uncertainty_hz"][0])
        compliance = float(rows["dynamic_compliance_um_per_mn"][0])
        per_db = float(rows["resonance_hz_per_db"][0])
        parts_hz = {
            "record": per_db * float(rectangular(measured.side.response_tolerance_db)),
            "preamplifier": per_db * float(rectangular(measured.chain.response_tolerance_db)),
        }
        name = f"resonance_{axis}_hz"
        yield Figure(name, axis, track, resonance_hz, spread_hz, parts=parts_hz)
        # The compliance goes with the inverse square of the resonance.
        per_hz = 2.0 * compliance / resonance_hz
        spread = per_hz * spread_hz
        parts = {name: per_hz * u_hz for name, u_hz in parts_hz.items()}
        parts["mass"] = compliance * arm_mass_part(measured.chain, measured.cartridge)
        yield Figure("dynamic_compliance_um_per_mn", axis, track, compliance, spread, parts=parts)


MEASURE = Measure(
    table=TABLE,
    measure=measure,
    uses=is_resonance_sweep,
    needs=None,
    page="resonance",
    metrics=(
        Metric(
            "resonance_lateral_hz",
            "Hz",
            "Resonance, lateral",
            covariates=SUSPENSION,
            least_share=0.04,
        ),
        Metric(
            "resonance_vertical_hz",
            "Hz",
            "Resonance, vertical",
            covariates=SUSPENSION,
            least_share=0.04,
        ),
        Metric(
            "dynamic_compliance_um_per_mn",
            "um/mN",
            "Dynamic compliance",
            covariates=SUSPENSION,
            least_share=0.08,
        ),
    ),
    figures=figures,
)
