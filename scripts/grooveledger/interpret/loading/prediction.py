"""What a measured response would be under another load, and the figures of a treble response."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from grooveledger.interpret.loading.fit import GREATEST_LOSS, UNKNOWN_LOSS
from grooveledger.interpret.response_curves import Curve
from grooveledger.measure.curves import value_at
from grooveledger.physics.equalisation import REFERENCE_HZ
from grooveledger.physics.network import Network, transfer_db
from grooveledger.physics.uncertainty import combine, rectangular
from grooveledger.plan import Chain

#: A rise of a measured curve below this is not called a peak (common practice: what responses
#: repeat to).
MEASURED_PEAK_MIN_DB = 0.2
#: Relative step of the numerical derivatives; the curves bend gently, so that its size hardly acts.
DERIVATIVE_STEP = 1e-3
#: What is left open of fitted losses, whose law is never quite that of the network: what this loss
#: and this part of the fitted one would change (our choice; scripts/studies/loading_study.py checks
#: it against other laws).
LAW_LOSS, LAW_PART = 0.18, 0.5


class Coil(NamedTuple):
    """A coil with the relative standard uncertainties of its values.

    `loss` is that of `Network`, `loss_u` its absolute standard uncertainty; None where the losses
    are not known: they are then taken in the middle of their range, and their effect is uncertain
    by half of it.
    """

    inductance_mh: float
    inductance_u: float
    resistance_ohm: float
    resistance_u: float
    loss: float = UNKNOWN_LOSS
    loss_u: float | None = None


class Load(NamedTuple):
    """A load on a chain: resistance and capacitance in all; arrays of one shape, or numbers."""

    chain: Chain
    load_ohm: npt.ArrayLike
    load_pf: npt.ArrayLike

    @property
    def fixed_pf(self) -> float:
        """Capacitance of cable and preamplifier input, the part that is known least."""
        return self.chain.load_pf


class Figures(NamedTuple):
    """Treble peak, level at 20 kHz and half the spread over a band; NaN where there is none."""

    peak_db: float
    peak_hz: float
    db_at_20khz: float
    deviation_db: float


def load_change_db(
    frequency_hz: np.ndarray,
    coil: Coil,
    present: Load,
    other: Load,
    capacitance_u: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Return how the response changes from one load to another, with its uncertainty.

    Relative to 1 kHz.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequencies.
    coil : Coil
        Its uncertainties are taken as independent.
    present, other : Load
        The loads. On one chain an error of its capacitance is common to both; on two chains the
        errors are independent. Resistors and added capacitors are taken as exact: their tolerances
        act an order of magnitude less.
    capacitance_u : float
        Relative standard uncertainty of a chain's own capacitance.

    Returns
    -------
    tuple of ndarray, shape (..., n)
        Change and standard uncertainty in dB; leading axes are those of the other load's arrays.
    """

    def change_db(
        inductance: float = 0.0,
        resistance: float = 0.0,
        here: float = 0.0,
        there: float = 0.0,
        loss: float = 0.0,
    ) -> np.ndarray:
        coil_steps = (inductance, resistance, loss)
        return _load_db(frequency_hz, coil, other, there, *coil_steps) - _load_db(
            frequency_hz, coil, present, here, *coil_steps
        )

    def slope(**step: float) -> np.ndarray:
        back = {name: -value for name, value in step.items()}
        return (change_db(**step) - change_db(**back)) / (2.0 * DERIVATIVE_STEP)

    h = DERIVATIVE_STEP
    parts = [coil.inductance_u * slope(inductance=h), coil.resistance_u * slope(resistance=h)]
    if present.chain.chain == other.chain.chain:
        parts.append(capacitance_u * slope(here=h, there=h))
    else:
        parts += [capacitance_u * slope(here=h), capacitance_u * slope(there=h)]
    if coil.loss_u is not None:
        parts.append(coil.loss_u * slope(loss=h))
    sides_db = [
        np.abs(there_db - here_db)
        for there_db, here_db in zip(
            _losses_db(frequency_hz, coil, other),
            _losses_db(frequency_hz, coil, present),
            strict=True,
        )
    ]
    parts.append(rectangular(np.maximum(*sides_db)))
    return change_db(), combine(*parts)


def load_uncertainty_db(
    frequency_hz: np.ndarray, coil: Coil, load: Load, capacitance_u: float
) -> np.ndarray:
    """Return the standard uncertainty of the network's own response relative to 1 kHz, dB."""
    h = DERIVATIVE_STEP
    slopes = [
        (
            _load_db(frequency_hz, coil, load, *np.multiply(step, h))
            - _load_db(frequency_hz, coil, load, *np.multiply(step, -h))
        )
        / (2.0 * h)
        for step in np.eye(4)
    ]
    return combine(
        capacitance_u * slopes[0],
        coil.inductance_u * slopes[1],
        coil.resistance_u * slopes[2],
        (coil.loss_u or 0.0) * slopes[3],
        rectangular(np.maximum(*np.abs(_losses_db(frequency_hz, coil, load)))),
    )


def predict(
    curve: Curve, coil: Coil, present: Load, other: Load, capacitance_u: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the response that a curve measured under one load would be under another.

    The present network's part is divided out and the other's put in its place; mechanics and record
    stay as measured.

    Returns
    -------
    tuple of ndarray, shape (..., n)
        Response in dB relative to 1 kHz and its standard uncertainty, at the curve's frequencies.
    """
    change, change_u = load_change_db(curve.frequency_hz, coil, present, other, capacitance_u)
    return curve.response_db + change, combine(curve.uncertainty_db, change_u)


def half_spread_db(values_db: np.ndarray) -> float:
    """Return half of what lies between a curve's highest and lowest value; NaN without values."""
    return float(np.ptp(values_db)) / 2.0 if len(values_db) else float("nan")


def measured_figures(curve: Curve, band_hz: Sequence[float]) -> Figures:
    """Return the figures of a measured or predicted response.

    The peak is the highest point above 1 kHz, if the curve comes down again after it.

    Parameters
    ----------
    curve : Curve
        Response relative to 1 kHz.
    band_hz : sequence of two floats
        Band of the deviation, as far as the curve covers it.
    """
    treble = curve.within((REFERENCE_HZ, np.inf))
    at_20khz = value_at(curve.frequency_hz, curve.response_db, 20_000.0)
    deviation_db = half_spread_db(curve.within(band_hz).response_db)
    if len(treble.frequency_hz):
        top = int(np.argmax(treble.response_db))
        height_db = float(treble.response_db[top])
        if 0 < top < len(treble.frequency_hz) - 1 and height_db >= MEASURED_PEAK_MIN_DB:
            return Figures(height_db, float(treble.frequency_hz[top]), at_20khz, deviation_db)
    return Figures(float("nan"), float("nan"), at_20khz, deviation_db)


def _load_db(
    frequency_hz: np.ndarray,
    coil: Coil,
    load: Load,
    capacitance_step: float,
    inductance_step: float,
    resistance_step: float,
    loss_step: float,
) -> np.ndarray:
    load_pf = np.asarray(load.load_pf, dtype=float) + load.fixed_pf * capacitance_step
    load_ohm = np.broadcast_to(np.asarray(load.load_ohm, dtype=float), load_pf.shape)
    network = Network.of(
        coil.inductance_mh * (1.0 + inductance_step),
        coil.resistance_ohm * (1.0 + resistance_step),
        load.chain,
        load_ohm[..., np.newaxis],
        load_pf[..., np.newaxis],
        coil.loss + loss_step,
    )
    return transfer_db(frequency_hz, network)


def _losses_db(frequency_hz: np.ndarray, coil: Coil, load: Load) -> tuple[np.ndarray, np.ndarray]:
    """Return what the coil's losses may do beyond what is calculated, to either side, dB.

    Losses that are not known: what no losses and the greatest do other than those in the middle.
    Fitted ones: what `LAW_LOSS` and `LAW_PART` would, since real losses do not follow the network's
    law.
    """
    load_pf = np.asarray(load.load_pf, dtype=float)
    load_ohm = np.broadcast_to(np.asarray(load.load_ohm, dtype=float), load_pf.shape)
    network = Network.of(
        coil.inductance_mh,
        coil.resistance_ohm,
        load.chain,
        load_ohm[..., np.newaxis],
        load_pf[..., np.newaxis],
    )
    if coil.loss_u is None:
        losses = (0.0, coil.loss, GREATEST_LOSS)
    else:
        losses = (0.0, 0.0, LAW_LOSS + LAW_PART * coil.loss)
    without, middle, greatest = (
        transfer_db(frequency_hz, network._replace(loss=loss)) for loss in losses
    )
    return without - middle, greatest - middle
