"""Checks of coil fitting on simulated cartridges: a mechanical resonance and a known network."""

import numpy as np
import pytest

from grooveledger.interpret.loading.fit import (
    FitLimits,
    ResistancePrior,
    _widening,
    fit_one_load,
    fit_two_loads,
    mechanical_db,
    tells_of_coil,
)
from grooveledger.interpret.response_curves import Curve
from grooveledger.physics.network import Network, transfer_db
from grooveledger.plan import Chain

LIMITS = FitLimits(noise_db=0.1, residual_max_db=0.5, within_pct=5.0)
ASSUMED = ResistancePrior(775.0, 0.38)
FREQUENCY_HZ = 1000.0 * 2.0 ** (np.arange(105) / 24.0)


def chain(load_ohm, load_pf):
    return Chain("bench", 12.0, 0.5, 2.0, load_pf - 50.0, load_ohm, 50.0, 40.0, "iec98", 2.0)


def simulated(coil, load, tip=(25_000.0, 2.5), noise_db=0.05, seed=1, top_hz=20_500.0, loss=0.0):
    frequency_hz = FREQUENCY_HZ[top_hz >= FREQUENCY_HZ]
    network_db = transfer_db(frequency_hz, Network.of(*coil, load, loss=loss))
    response_db = network_db + mechanical_db(frequency_hz, *tip)
    response_db = response_db + noise_db * np.random.default_rng(seed).normal(
        size=len(frequency_hz)
    )
    return Curve(frequency_hz, response_db, np.full(len(frequency_hz), 0.1))


@pytest.mark.parametrize("coil", [(400.0, 500.0), (600.0, 1000.0), (250.0, 1200.0)])
@pytest.mark.parametrize("other", [(47_000, 330), (100_000, 150), (15_000, 400)])
def test_inductance_from_two_loads(coil, other):
    first, second = chain(47_000, 150), chain(*other)
    for seed in range(3):
        fit = fit_two_loads(
            simulated(coil, first, seed=seed),
            simulated(coil, second, seed=seed + 100),
            first,
            second,
            ASSUMED,
            0.0,
            LIMITS,
        )
        assert fit.inductance_identified, fit.reason
        assert fit.inductance_mh == pytest.approx(coil[0], rel=0.05)
        assert abs(fit.inductance_mh / coil[0] - 1) < 4 * fit.inductance_u


def test_resistance_is_identified_where_a_load_is_low():
    # Within 20 %: losses, which are fitted too, take part of its place.
    first, second, coil = chain(47_000, 150), chain(4_700, 150), (600.0, 1500.0)
    fit = fit_two_loads(
        simulated(coil, first, seed=1),
        simulated(coil, second, seed=2),
        first,
        second,
        ASSUMED,
        0.0,
        LIMITS._replace(within_pct=20.0),
    )
    assert fit.resistance_identified
    assert fit.resistance_ohm == pytest.approx(1500.0, rel=0.05)
    assert fit.inductance_mh == pytest.approx(600.0, rel=0.05)


@pytest.mark.parametrize("loss", [0.0, 0.1, 0.3])
def test_losses_from_two_loads(loss):
    first, second = chain(47_000, 150), chain(100_000, 330)
    curves = [
        simulated((480.0, 750.0), load, seed=seed, loss=loss)
        for seed, load in enumerate((first, second))
    ]
    fit = fit_two_loads(*curves, first, second, ASSUMED, 0.0, LIMITS)
    assert fit.losses_identified
    assert abs(fit.loss - loss) < 3 * fit.loss_u
    assert fit.inductance_mh == pytest.approx(480.0, rel=0.05)


def test_losses_stay_stated_where_the_record_or_preamplifier_hides_them():
    first, second = chain(47_000, 150), chain(47_000, 330)
    curves = [simulated((480.0, 750.0), load, loss=0.2) for load in (first, second)]
    fit = fit_two_loads(*curves, first, second, ASSUMED, 0.5, LIMITS)
    assert not fit.losses_identified


def test_resistance_is_not_identified_by_usual_loads():
    # By the closed form 5 % of 500 ohm moves such a response by some 0.01 dB.
    first, second, coil = chain(47_000, 150), chain(47_000, 330), (400.0, 500.0)
    fit = fit_two_loads(
        simulated(coil, first), simulated(coil, second), first, second, ASSUMED, 0.0, LIMITS
    )
    assert fit.inductance_identified
    assert not fit.resistance_identified


def test_different_records_make_two_loads_uncertain():
    first, second, coil = chain(47_000, 150), chain(47_000, 330), (400.0, 500.0)
    fit = fit_two_loads(
        simulated(coil, first), simulated(coil, second), first, second, ASSUMED, 0.8, LIMITS
    )
    assert not fit.inductance_identified
    assert "uncertain by" in fit.reason


def test_one_load_identifies_where_electrics_and_mechanics_differ():
    load, coil = chain(47_000, 150), (600.0, 1000.0)
    curve = simulated(coil, load, tip=(14_000.0, 1.2), loss=0.25)
    fit = fit_one_load(curve, load, ASSUMED, 0.0, LIMITS)
    assert fit.inductance_identified, fit.reason
    assert fit.inductance_mh == pytest.approx(600.0, rel=0.05)
    assert fit.mechanical_hz == pytest.approx(14_000.0, rel=0.05)
    assert fit.losses_identified
    assert abs(fit.loss - 0.25) < 3 * fit.loss_u


def test_one_load_says_when_two_explanations_fit():
    load, coil = chain(47_000, 150), (600.0, 1000.0)
    curve = simulated(coil, load, tip=(40_000.0, 5.0), loss=0.25)
    fit = fit_one_load(curve, load, ASSUMED, 0.0, LIMITS)
    assert not fit.inductance_identified
    assert "explains the response as well" in fit.reason


def test_a_usual_record_guarantee_keeps_one_load_from_telling():
    load = chain(47_000, 150)
    fit = fit_one_load(simulated((400.0, 500.0), load), load, ASSUMED, 1.0 / np.sqrt(3.0), LIMITS)
    assert not fit.inductance_identified


def test_a_response_that_the_model_does_not_describe_is_told():
    load = chain(47_000, 150)
    curve = simulated((400.0, 500.0), load)
    ripple_db = 2.0 * np.sin(8.0 * np.log2(curve.frequency_hz / 1000.0))
    fit = fit_one_load(
        curve._replace(response_db=curve.response_db + ripple_db), load, ASSUMED, 0.0, LIMITS
    )
    assert not fit.inductance_identified
    assert "leaves" in fit.reason


def test_a_response_must_reach_high():
    load = chain(47_000, 150)
    assert tells_of_coil(simulated((400.0, 500.0), load))
    assert not tells_of_coil(simulated((400.0, 500.0), load, top_hz=8_000.0))


def test_tip_resonance():
    # Closed form: Q at the undamped resonance, 0 dB at 1 kHz.
    values_db = mechanical_db(np.array([1_000.0, 100_000.0]), 100_000.0, 2.0)
    np.testing.assert_allclose(values_db, [0.0, 6.0206], atol=2e-3)


def test_uncertainty_goes_with_the_scatter_from_point_to_point():
    """Of curves that the model meets exactly: twice the scatter, twice the uncertainty."""
    first, second, coil = chain(47_000, 150), chain(47_000, 330), (400.0, 775.0)
    curves = [simulated(coil, load, noise_db=0.0, loss=0.25) for load in (first, second)]
    once, twice = (
        fit_two_loads(
            *curves, first, second, ASSUMED, 0.0, LIMITS._replace(noise_db=noise_db)
        ).inductance_u
        for noise_db in (0.001, 0.002)
    )
    assert twice / once == pytest.approx(2.0, rel=0.1)


@pytest.mark.parametrize("size_db", [1e-3, 1.0, 1e3])
def test_correlation_from_point_to_point_widens_a_variance(size_db):
    """By (1 + r) / (1 - r) of a first-order correlation r, whatever the size: 19 fold at 0.9."""
    wave = np.cos(np.arccos(0.9) * np.arange(20_000))
    assert _widening(size_db * wave) == pytest.approx(19.0, rel=1e-3)
    # Points that alternate narrow nothing; r is 0.95 at most, 39 fold.
    assert _widening(size_db * (-1.0) ** np.arange(50)) == 1.0
    assert _widening(np.full(2_000, size_db)) == pytest.approx(39.0)
    assert _widening(np.zeros(9)) == 1.0
