"""Prediction of a response under another load, against the same simulation under that load."""

import numpy as np
import pytest

from grooveledger.interpret.loading.fit import (
    FitLimits,
    ResistancePrior,
    fit_two_loads,
    mechanical_db,
)
from grooveledger.interpret.loading.prediction import (
    Coil,
    Load,
    load_change_db,
    load_uncertainty_db,
    measured_figures,
    predict,
)
from grooveledger.interpret.response_curves import Curve
from grooveledger.physics.network import Network, transfer_db
from grooveledger.plan import Chain

FREQUENCY_HZ = 1000.0 * 2.0 ** (np.arange(-24, 105) / 24.0)


def chain(name, load_ohm, load_pf):
    return Chain(name, 12.0, 0.5, 2.0, load_pf - 50.0, load_ohm, 50.0, 40.0, "iec98", 2.0)


def load(chain_, load_ohm=None, load_pf=None):
    return Load(chain_, load_ohm or chain_.load_ohm, load_pf or chain_.load_pf)


def simulated(chain_, coil=(400.0, 500.0), tip=(25_000.0, 2.5)):
    network_db = transfer_db(FREQUENCY_HZ, Network.of(*coil, chain_))
    response_db = network_db + mechanical_db(FREQUENCY_HZ, *tip)
    return Curve(FREQUENCY_HZ, response_db, np.full(len(FREQUENCY_HZ), 0.1))


@pytest.mark.parametrize("other", [(47_000, 330), (100_000, 150), (33_000, 250)])
@pytest.mark.parametrize(("error", "limit_db"), [(0.0, 1e-9), (0.025, 0.3), (0.05, 0.4)])
def test_prediction_to_18_khz(other, error, limit_db):
    # An inductance that counts as identified is within 2.5 % (standard) or 5 % (expanded).
    first, second = chain("one", 47_000, 150), chain("two", *other)
    coil = Coil(400.0 * (1.0 + error), 0.025, 500.0, 0.1, loss=0.0, loss_u=0.0)
    predicted_db, u_db = predict(simulated(first), coil, load(first), load(second), 0.0)
    off_db = predicted_db - simulated(second).response_db
    audible = FREQUENCY_HZ <= 18_000.0
    assert np.max(np.abs(off_db[audible])) <= limit_db
    assert np.all(np.abs(off_db) <= 2.0 * u_db + 1e-9)


def test_prediction_with_a_fitted_coil_within_0_3_db_to_18_khz():
    # The coil fitted to two noisy responses, a third load predicted from the first of them.
    chains = [chain("one", 47_000, 150), chain("two", 47_000, 330), chain("three", 100_000, 200)]
    noise_db = 0.05 * np.random.default_rng(7).normal(size=(2, len(FREQUENCY_HZ)))
    first, second = (
        simulated(one)._replace(response_db=simulated(one).response_db + noise)
        for one, noise in zip(chains, noise_db, strict=False)
    )
    limits = FitLimits(noise_db=0.1, residual_max_db=0.5, within_pct=5.0)
    prior = ResistancePrior(775.0, 0.38)
    fit = fit_two_loads(first, second, chains[0], chains[1], prior, 0.0, limits)
    assert fit.inductance_identified
    coil = Coil(fit.inductance_mh, fit.inductance_u, fit.resistance_ohm, fit.resistance_u, fit.loss)
    predicted_db, _ = predict(first, coil, load(chains[0]), load(chains[2]), 0.0)
    off_db = predicted_db - simulated(chains[2]).response_db
    assert np.max(np.abs(off_db[FREQUENCY_HZ <= 18_000.0])) <= 0.3


def test_no_change_of_load_is_no_change_and_no_doubt():
    bench = chain("one", 47_000, 150)
    change_db, u_db = load_change_db(
        FREQUENCY_HZ, Coil(400.0, 0.1, 500.0, 0.1), load(bench), load(bench), 0.1
    )
    np.testing.assert_array_equal(change_db, 0.0)
    np.testing.assert_array_equal(u_db, 0.0)


def test_uncertainty_is_that_of_many_trials():
    # Monte Carlo over the coil and the shared capacitance (JCGM 101).
    bench, capacitance_u = chain("one", 47_000, 150), 0.03
    coil = Coil(400.0, 0.03, 500.0, 0.1, loss=0.2, loss_u=0.02)
    at_hz = np.array([10_000.0, 18_000.0])
    _, u_db = load_change_db(at_hz, coil, load(bench), load(bench, 47_000, 250), capacitance_u)
    rng = np.random.default_rng(5)
    trials = []
    for _ in range(3000):
        inductance = coil.inductance_mh * (1 + coil.inductance_u * rng.normal())
        resistance = coil.resistance_ohm * (1 + coil.resistance_u * rng.normal())
        loss = coil.loss + coil.loss_u * rng.normal()
        extra_pf = bench.load_pf * capacitance_u * rng.normal()
        trials.append(
            transfer_db(
                at_hz, Network.of(inductance, resistance, bench, 47_000, 250 + extra_pf, loss)
            )
            - transfer_db(
                at_hz, Network.of(inductance, resistance, bench, 47_000, 150 + extra_pf, loss)
            )
        )
    u_db = np.sqrt(u_db**2 - law_u_db(at_hz, coil, load(bench), load(bench, 47_000, 250)) ** 2)
    np.testing.assert_allclose(u_db, np.std(trials, axis=0), rtol=0.06)


def own_gain_db(coil, at, frequency_hz, loss_ratio=np.inf, semi=1.0):
    """Nodal analysis of coil, losses and load, written for this test; dB relative to 1 kHz."""

    def voltage(hz):
        s = 2j * np.pi * hz
        turn = 2 * np.pi * 10_000.0
        inductance = coil.inductance_mh * 1e-3 + at.chain.cable_inductance_uh * 1e-6
        # A semi-inductance has its inductor's reactance at 1 kHz and rises with a lower power.
        reactance = 2 * np.pi * 1e3 * inductance * (1j * hz / 1e3) ** semi
        inductor = 1.0 / reactance + 1.0 / (loss_ratio * turn * inductance)
        series = coil.resistance_ohm + at.chain.cable_resistance_ohm
        # Nodes: between inductor and resistor, and the load's. Voltage 1 drives the inductor.
        nodes = np.array(
            [
                [inductor + 1 / series, -1 / series],
                [-1 / series, 1 / series + 1 / at.load_ohm + s * at.load_pf * 1e-12],
            ]
        )
        return np.abs(np.linalg.solve(nodes, np.array([inductor, 0.0]))[1])

    return 20.0 * np.log10(voltage(frequency_hz) / voltage(1000.0))


def law_u_db(at_hz, coil, present, other):
    """Half-width over sqrt 3 of what losses of 0.18 and half of the coil's own would change."""
    changes = [
        [
            own_gain_db(coil, other, hz, 1 / loss, 1 - 0.21 * loss)
            - own_gain_db(coil, present, hz, 1 / loss, 1 - 0.21 * loss)
            for hz in at_hz
        ]
        for loss in (0.18 + 0.5 * coil.loss, 1e-9)
    ]
    return (np.array(changes[0]) - np.array(changes[1])) / np.sqrt(3.0)


def test_what_ifs_hold_their_uncertainty_over_random_coils_with_losses():
    # An own nodal analysis with losses is the truth; the program knows the data sheet's values.
    rng = np.random.default_rng(15)
    within, widest = {"capacitance": [], "resistance": []}, 0.0
    for _ in range(300):
        true = Coil(rng.uniform(300, 700), 0, rng.uniform(400, 1300), 0)
        sheet = Coil(
            true.inductance_mh * (1 + 0.05 * rng.normal()), 0.05,
            true.resistance_ohm * (1 + 0.05 * rng.normal()), 0.05,
        )  # fmt: skip
        loss_ratio, semi = 3.0 / rng.uniform(1e-3, 1.0), rng.uniform(0.93, 1.0)
        bench = chain("one", 47_000, rng.uniform(120, 250))
        kind = rng.choice(list(within))
        ohm = rng.choice([22e3, 33e3, 68e3, 100e3]) if kind == "resistance" else 47e3
        other = load(bench, ohm, bench.load_pf + (kind == "capacitance") * rng.uniform(50, 250))
        at_hz = np.array([5_000.0, 10_000.0, 15_000.0, 20_000.0])
        change_db, u_db = load_change_db(at_hz, sheet, load(bench), other, 0.0)
        true_db = [
            own_gain_db(true, other, hz, loss_ratio, semi)
            - own_gain_db(true, load(bench), hz, loss_ratio, semi)
            for hz in at_hz
        ]
        within[kind] += list(np.abs(change_db - true_db) <= 2.0 * u_db)
        widest = max(widest, float(np.max(np.abs(change_db - true_db))))
    assert widest > 1.0
    for kind, held in within.items():
        assert np.mean(held) >= 0.95, kind


def test_two_chains_have_two_capacitances():
    one, two = chain("one", 47_000, 150), chain("two", 47_000, 150)
    coil = Coil(400, 0, 500, 0, loss=0.0, loss_u=0.0)
    _, u_db = load_change_db(np.array([15_000.0]), coil, load(one), load(two), 0.05)
    single_db = load_uncertainty_db(np.array([15_000.0]), coil, load(one), 0.05)
    lossy_db = own_gain_db(coil, load(one), 15_000.0, 1 / 0.18, 1 - 0.21 * 0.18)
    loss_db = lossy_db - own_gain_db(coil, load(one), 15_000.0)
    single_db = np.sqrt(single_db**2 - loss_db**2 / 3.0)
    np.testing.assert_allclose(u_db, np.sqrt(2.0) * single_db, rtol=1e-6)


def test_many_loads_at_once():
    bench, coil = chain("one", 47_000, 150), Coil(400.0, 0.03, 500.0, 0.1)
    ohms, pfs = np.array([33e3, 47e3]), np.array([150.0, 250.0])
    change_db, u_db = load_change_db(FREQUENCY_HZ, coil, load(bench), Load(bench, ohms, pfs), 0.03)
    for i in range(2):
        one_db, one_u = load_change_db(
            FREQUENCY_HZ, coil, load(bench), Load(bench, ohms[i], pfs[i]), 0.03
        )
        np.testing.assert_allclose(change_db[i], one_db)
        np.testing.assert_allclose(u_db[i], one_u)


def test_figures_of_a_measured_curve():
    curve = simulated(chain("one", 47_000, 330), tip=(100_000.0, 0.7))
    figures = measured_figures(curve, (1_000.0, 20_000.0))
    # The closed form's peak of this network is +3.11 dB at 11.8 kHz, the tip's part small.
    assert figures.peak_db == pytest.approx(3.11, abs=0.05)
    assert figures.peak_hz == pytest.approx(11_800.0, rel=0.03)
    assert figures.db_at_20khz == pytest.approx(-3.64, abs=0.1)
    band = (FREQUENCY_HZ >= 1_000.0) & (FREQUENCY_HZ <= 20_000.0)
    assert figures.deviation_db == pytest.approx(np.ptp(curve.response_db[band]) / 2)


def test_a_curve_that_rises_to_its_end_has_no_peak():
    curve = Curve(FREQUENCY_HZ[:50], np.linspace(0.0, 3.0, 50), np.full(50, 0.1))
    figures = measured_figures(curve, (1_000.0, 20_000.0))
    assert np.isnan(figures.peak_db)
    assert np.isnan(figures.peak_hz)
    assert np.isnan(figures.db_at_20khz)


def test_each_value_of_a_coil_adds_what_its_own_error_moves():
    """By making networks of values that are off, one at a time."""
    one = chain("one", 47_000, 150)
    steps = {
        "inductance_u": lambda x: Network.of(400.0 * (1.0 + x), 500.0, one, loss=0.2),
        "resistance_u": lambda x: Network.of(400.0, 500.0 * (1.0 + x), one, loss=0.2),
        "loss_u": lambda x: Network.of(400.0, 500.0, one, loss=0.2 + x),
    }
    sure = Coil(400.0, 0.0, 500.0, 0.0, loss=0.2, loss_u=0.0)
    least = load_uncertainty_db(FREQUENCY_HZ, sure, load(one), 0.0)
    treble = FREQUENCY_HZ > 4000.0
    for name, network in steps.items():
        off_db = [transfer_db(FREQUENCY_HZ, network(x)) for x in (-1e-4, 1e-4)]
        slope = np.abs(off_db[1] - off_db[0]) / 2e-4
        unsure = load_uncertainty_db(FREQUENCY_HZ, sure._replace(**{name: 0.05}), load(one), 0.0)
        added = np.sqrt(unsure**2 - least**2)
        np.testing.assert_allclose(added[treble], 0.05 * slope[treble], rtol=0.01, atol=2e-4)
