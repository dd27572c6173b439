"""Coil values from measured responses, where the responses determine them.

Two ways. Under two loads the quotient of the responses is free of the mechanics, and only the
network is left. Under one load the mechanics must be assumed: one second-order resonance of tip
mass on the groove. Either way a value is said to be identified only where its uncertainty, the
fit's residual and the absence of a rival explanation allow it.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

import numpy as np
from scipy.optimize import least_squares

from grooveledger.interpret.response_curves import Curve
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.network import Network, transfer_db
from grooveledger.plan import Chain

#: Greatest losses that a coil is taken to have (see `Network`): its inductance falls by more
#: than a third from 1 to 10 kHz (our choice).
GREATEST_LOSS = 0.5
#: Losses that are not known are taken in the middle of their range.
UNKNOWN_LOSS = GREATEST_LOSS / 2.0
#: Inductances from which the fits start, mH: moving magnets and moving irons lie among them.
START_INDUCTANCES_MH = (60.0, 120.0, 250.0, 500.0, 1000.0)
#: Mechanical resonances from which the fit under one load starts, Hz, and its quality factor.
START_MECHANICAL_HZ = (9_000.0, 16_000.0, 28_000.0)
START_MECHANICAL_Q = 1.5
#: Ends of the searches: ln mH, ln ohm, offset in dB; the part by which the capacitances are apart;
#: ln Hz and ln Q of the mechanics.
COIL_BOUNDS = np.array([[np.log(10.0), 0.0, -3.0], [np.log(5e3), np.log(2e4), 3.0]])
APART_BOUNDS = np.array([[-0.5], [0.5]])
MECHANICS_BOUNDS = np.log([[3_000.0, 0.3], [200_000.0, 30.0]])
#: Where capacitances are taken as exact their part is fitted with this standard uncertainty.
LEAST_U = 1e-4
#: Ends of the search for losses: above 1 the loss resistor rather than the inductance would rule
#: the treble.
LOSS_BOUNDS = np.array([[0.0], [1.0]])
#: Standard uncertainty of losses that are not known, rectangular, and of those that count as
#: identified at most.
UNKNOWN_LOSS_U = UNKNOWN_LOSS / np.sqrt(3.0)
LOSS_U_MAX = UNKNOWN_LOSS_U / 2.0
#: Octaves over which a record's or preamplifier's error of shape hangs together: an assumption of
#: ours; guarantees state a size only.
SHAPE_CORRELATION_OCTAVES = 1.0
#: A response shows the coil only where it reaches this high, in this many points above 1 kHz: the
#: network of a usual moving magnet is flat to within 1 dB below.
FIT_TOP_MIN_HZ = 10_000.0
FIT_POINTS_MIN = 12
#: Solutions whose inductances differ by less are one.
SAME_INDUCTANCE = 0.1
#: A standard uncertainty is doubled for 95 % (JCGM 100, 6.3.3).
EXPANSION = 2.0


class ResistancePrior(NamedTuple):
    """What is known of the coil's resistance beforehand, with its relative standard uncertainty."""

    resistance_ohm: float
    relative_u: float


class FitLimits(NamedTuple):
    """When a fitted value counts as identified.

    Attributes
    ----------
    noise_db : float
        Scatter of a response from point to point, at least.
    residual_max_db : float
        Rms residual above which the model does not describe the response.
    within_pct : float
        Largest expanded uncertainty of an identified value.
    """

    noise_db: float
    residual_max_db: float
    within_pct: float


class CoilFit(NamedTuple):
    """Coil values that a fit found; uncertainties are relative and standard.

    They hold for the loads as they are stated: a response shows little more than the product of
    inductance and capacitance, so that an error of the capacitance goes into the inductance whole.
    `mechanical_hz` and `mechanical_q` are NaN under two loads, where they cancel; `loss` (see
    `grooveledger.physics.network.Network`) and its standard uncertainty are NaN where not fitted.
    """

    inductance_mh: float
    inductance_u: float
    resistance_ohm: float
    resistance_u: float
    residual_db: float
    mechanical_hz: float
    mechanical_q: float
    inductance_identified: bool
    resistance_identified: bool
    reason: str
    loss: float = float("nan")
    loss_u: float = float("nan")

    @property
    def losses_identified(self) -> bool:
        """Whether the losses were fitted, and surer than what is stated without a fit."""
        return self.inductance_identified and self.loss_u <= LOSS_U_MAX


class _Problem(NamedTuple):
    """Data and model of a fit: ln L, ln R, an offset in dB, then apart and losses, or mechanics.

    `priors` has value and standard uncertainty of parameters, by their place; `bounds` two rows.
    """

    frequency_hz: np.ndarray
    data_db: np.ndarray
    model_db: Callable[[np.ndarray], np.ndarray]
    shape_u_db: float
    priors: Mapping[int, tuple[float, float]]
    bounds: np.ndarray
    limits: FitLimits


def tells_of_coil(curve: Curve) -> bool:
    """Return whether a response reaches high enough for a fit."""
    treble_hz = curve.within((REFERENCE_HZ, np.inf)).frequency_hz
    return len(treble_hz) >= FIT_POINTS_MIN and float(treble_hz[-1]) >= FIT_TOP_MIN_HZ


def fit_two_loads(
    first: Curve,
    second: Curve,
    first_chain: Chain,
    second_chain: Chain,
    prior: ResistancePrior,
    shape_u_db: float,
    limits: FitLimits,
    capacitance_u: float = 0.0,
) -> CoilFit:
    """Fit coil values to two responses of one stylus under two loads.

    Parameters
    ----------
    first, second : Curve
        Responses relative to 1 kHz; the part that both cover is used.
    first_chain, second_chain : Chain
        The chains, whose loads differ.
    prior : ResistancePrior
        Knowledge of the coil's resistance, which a response hardly shows.
    shape_u_db : float
        Standard uncertainty of the difference's shape: 0 where one record and preamplifier served
        both.
    limits : FitLimits
        When the result counts.
    capacitance_u : float
        Relative standard uncertainty of each chain's own capacitance. What both are off in common
        goes into the inductance; by how much more the second is off is fitted too.

    Returns
    -------
    CoilFit
        With losses, identified or not.
    """
    high_hz = min(first.frequency_hz[-1], second.frequency_hz[-1])
    frequency_hz = first.within((REFERENCE_HZ, high_hz)).frequency_hz
    data_db = first.at(frequency_hz).response_db - second.at(frequency_hz).response_db

    def model_db(x: np.ndarray) -> np.ndarray:
        inductance_mh, resistance_ohm = np.exp(x[:2])
        first_db, second_db = (
            transfer_db(
                frequency_hz,
                Network.of(
                    inductance_mh,
                    resistance_ohm,
                    chain,
                    load_pf=chain.load_pf * (1.0 + part * x[3]),
                    loss=x[4],
                ),
            )
            for part, chain in ((-0.5, first_chain), (0.5, second_chain))
        )
        return first_db - second_db + x[2]

    starts = [
        np.array([np.log(inductance_mh), np.log(prior.resistance_ohm), 0.0, 0.0, UNKNOWN_LOSS])
        for inductance_mh in START_INDUCTANCES_MH
    ]
    priors = {
        1: (np.log(prior.resistance_ohm), prior.relative_u),
        3: (0.0, max(np.sqrt(2.0) * capacitance_u, LEAST_U)),
        4: (UNKNOWN_LOSS, UNKNOWN_LOSS_U),
    }
    bounds = np.hstack([COIL_BOUNDS, APART_BOUNDS, LOSS_BOUNDS])
    problem = _Problem(frequency_hz, data_db, model_db, shape_u_db, priors, bounds, limits)
    fit, x, u = _solve(problem, starts)
    return fit._replace(loss=float(x[4]), loss_u=float(u[4]))


def fit_one_load(
    curve: Curve, chain: Chain, prior: ResistancePrior, shape_u_db: float, limits: FitLimits
) -> CoilFit:
    """Fit coil values and one mechanical resonance to a response under a known load.

    Parameters are as in `fit_two_loads`; `shape_u_db` holds the record's guarantee, which is what
    mostly keeps one response from telling the coil.
    """
    curve = curve.within((REFERENCE_HZ, np.inf))
    frequency_hz = curve.frequency_hz

    def model_db(x: np.ndarray) -> np.ndarray:
        inductance_mh, resistance_ohm, mechanical_hz, mechanical_q = np.exp(x[[0, 1, 3, 4]])
        network = Network.of(inductance_mh, resistance_ohm, chain, loss=x[5])
        network_db = transfer_db(frequency_hz, network)
        tip_db = mechanical_db(frequency_hz, mechanical_hz, mechanical_q)
        return network_db + tip_db + x[2]

    starts = [
        np.array(
            [
                np.log(inductance_mh),
                np.log(prior.resistance_ohm),
                0.0,
                np.log(mechanical_hz),
                np.log(START_MECHANICAL_Q),
                UNKNOWN_LOSS,
            ]
        )
        for inductance_mh in START_INDUCTANCES_MH
        for mechanical_hz in START_MECHANICAL_HZ
    ]
    priors = {
        1: (np.log(prior.resistance_ohm), prior.relative_u),
        5: (UNKNOWN_LOSS, UNKNOWN_LOSS_U),
    }
    bounds = np.hstack([COIL_BOUNDS, MECHANICS_BOUNDS, LOSS_BOUNDS])
    problem = _Problem(
        frequency_hz, curve.response_db, model_db, shape_u_db, priors, bounds, limits
    )
    fit, x, u = _solve(problem, starts)
    return fit._replace(
        mechanical_hz=float(np.exp(x[3])),
        mechanical_q=float(np.exp(x[4])),
        loss=float(x[5]),
        loss_u=float(u[5]),
    )


def mechanical_db(frequency_hz: np.ndarray, undamped_hz: float, q: float) -> np.ndarray:
    """Return the response of tip mass on groove compliance, a low-pass, in dB over 1 kHz."""

    def level_db(f: np.ndarray) -> np.ndarray:
        x = 1j * f / undamped_hz
        return -20.0 * np.log10(np.abs(1.0 + x / q + x**2))

    return level_db(frequency_hz) - level_db(np.array(REFERENCE_HZ))


def _solve(
    problem: _Problem, starts: Iterable[np.ndarray]
) -> tuple[CoilFit, np.ndarray, np.ndarray]:
    """Return the fit, and its parameters with their standard uncertainties."""
    solutions = sorted(
        (_descend(problem, start) for start in starts), key=lambda solution: solution[0]
    )
    residual_db, x = solutions[0]
    allowed_db = np.hypot(residual_db, np.hypot(problem.limits.noise_db, problem.shape_u_db))
    rivals_mh = [
        float(np.exp(other[0]))
        for rms_db, other in solutions[1:]
        if abs(other[0] - x[0]) > SAME_INDUCTANCE and rms_db <= allowed_db
    ]
    u = _uncertainties(problem, x, residual_db)
    return _judge(problem, x, residual_db, float(u[0]), float(u[1]), rivals_mh), x, u


def _judge(
    problem: _Problem,
    x: np.ndarray,
    residual_db: float,
    inductance_u: float,
    resistance_u: float,
    rivals_mh: list[float],
) -> CoilFit:
    limits = problem.limits
    describes = residual_db <= limits.residual_max_db
    within = EXPANSION * 100.0 * inductance_u
    if not describes:
        reason = (
            f"the model leaves {residual_db:.2f} dB rms of the response, "
            f"more than {limits.residual_max_db:g} dB"
        )
    elif rivals_mh:
        reason = f"{rivals_mh[0]:.0f} mH explains the response as well as {np.exp(x[0]):.0f} mH"
    elif within > limits.within_pct:
        reason = (
            f"inductance uncertain by {within:.1f} % (95 %), more than {limits.within_pct:g} %; "
            "captures of one stylus and record under clearly different loads would show it"
        )
    else:
        reason = ""
    return CoilFit(
        inductance_mh=float(np.exp(x[0])),
        inductance_u=inductance_u,
        resistance_ohm=float(np.exp(x[1])),
        resistance_u=resistance_u,
        residual_db=residual_db,
        mechanical_hz=float("nan"),
        mechanical_q=float("nan"),
        inductance_identified=not reason,
        resistance_identified=not reason
        and EXPANSION * 100.0 * resistance_u <= limits.within_pct
        and resistance_u < problem.priors[1][1] / 2.0,
        reason=reason,
    )


def _weight_db(problem: _Problem) -> float:
    """Return the uncertainty of a point at which an octave of points weighs as one value."""
    octaves = max(float(np.log2(problem.frequency_hz[-1] / problem.frequency_hz[0])), 1.0)
    points = len(problem.frequency_hz) * SHAPE_CORRELATION_OCTAVES / octaves
    return float(np.hypot(problem.limits.noise_db, problem.shape_u_db * np.sqrt(points)))


def _descend(problem: _Problem, start: np.ndarray) -> tuple[float, np.ndarray]:
    """Find a minimum from a start; return the rms residual in dB and the parameters."""
    weight_db = _weight_db(problem)
    centres, widths = np.array(list(problem.priors.values())).T
    places = list(problem.priors)

    def residuals(x: np.ndarray) -> np.ndarray:
        data = (problem.model_db(x) - problem.data_db) / weight_db
        return np.append(data, (x[places] - centres) / widths)

    x = least_squares(residuals, start, bounds=tuple(problem.bounds), x_scale="jac", max_nfev=60).x
    return float(np.sqrt(np.mean((problem.model_db(x) - problem.data_db) ** 2))), x


def _uncertainties(problem: _Problem, x: np.ndarray, residual_db: float) -> np.ndarray:
    """Return standard uncertainties of the parameters: relative ones of inductance and resistance.

    The estimate is linear in the data near the solution; scatter (widened for its own correlation
    from point to point) and errors of shape are put through it.
    """
    step = 1e-4
    jacobian = np.stack(
        [
            (problem.model_db(x + d) - problem.model_db(x - d)) / (2 * step)
            for d in step * np.eye(len(x))
        ],
        axis=1,
    )
    weight_db = _weight_db(problem)
    prior = np.zeros((len(x), len(x)))
    for place, (_, u) in problem.priors.items():
        prior[place, place] = 1.0 / u**2
    information = jacobian.T @ jacobian / weight_db**2 + prior
    if np.linalg.matrix_rank(information) < len(x):
        unknown = np.full(len(x), np.inf)
        for place, (_, u) in problem.priors.items():
            unknown[place] = u
        return unknown
    inverse = np.linalg.inv(information)
    gain = inverse @ jacobian.T / weight_db**2
    residuals = problem.model_db(x) - problem.data_db
    octaves = np.log2(problem.frequency_hz)
    shape = problem.shape_u_db**2 * np.exp(
        -np.abs(octaves[:, np.newaxis] - octaves) / SHAPE_CORRELATION_OCTAVES
    )
    scatter = max(problem.limits.noise_db**2, residual_db**2 * _widening(residuals))
    covariance = (
        gain @ (shape + scatter * np.eye(len(octaves))) @ gain.T + inverse @ prior @ inverse
    )
    return np.sqrt(np.diag(covariance))


def _widening(residuals: np.ndarray) -> float:
    """Return the factor by which first-order correlation between points widens a variance."""
    power = float(np.sum(residuals**2))
    lag = float(np.sum(residuals[1:] * residuals[:-1])) / power if power > 0.0 else 0.0
    lag = float(np.clip(lag, 0.0, 0.95))
    return (1.0 + lag) / (1.0 - lag)
