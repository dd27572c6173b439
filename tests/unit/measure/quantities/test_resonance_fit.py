"""The fit of a resonance: its limits, its uncertainty and its figures.

What it makes of whole captures is in test_resonance.py.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import curve_fit, minimize_scalar

from grooveledger.measure.metric_rows import Measured
from grooveledger.measure.quantities import resonance_fit
from grooveledger.measure.quantities.resonance_fit import (
    ResonanceSweep,
    fit_resonance,
    sweep_rate_hz_s,
    swept_response_db,
)
from grooveledger.physics.resonance import high_pass_response
from made_figures import rows_of
from made_observations import CARTRIDGE, CHAIN, make_context, make_side, orders_of

HZ = np.geomspace(4.0, 25.0, 64)
NONE = np.zeros(len(HZ))
STILL = ResonanceSweep(HZ, NONE)
SWEEP = {
    "kind": "sweep",
    "purpose": "resonance",
    "modulation": "lateral",
    "start_hz": 25.0,
    "stop_hz": 4.0,
}


def curve(f0_hz=9.0, q=2.5, hz=HZ):
    return 20.0 * np.log10(np.abs(high_pass_response(hz, f0_hz, q)))


def test_eight_points_are_fitted_and_a_gap_is_not():
    hz = np.geomspace(5.0, 20.0, 8)
    found = fit_resonance(ResonanceSweep(hz, np.zeros(8)), curve(hz=hz), np.zeros(8))
    assert found.resonance_hz == pytest.approx(9.0, rel=1e-6)
    assert found.residual_db == pytest.approx(0.0, abs=1e-6)
    gap = curve()
    gap[20] = np.nan
    assert fit_resonance(STILL, gap, NONE) is None


@pytest.mark.parametrize(
    ("f0_hz", "q", "is_found"),
    [
        (4.05, 2.0, True),
        (3.95, 2.0, False),
        (24.7, 2.0, True),
        (25.3, 2.0, False),
        (9.0, 0.22, True),
        (9.0, 0.15, False),
        (9.0, 45.0, True),
        (9.0, 70.0, False),
    ],
)
def test_a_resonance_is_one_within_the_sweep_of_a_quality_that_arms_have(f0_hz, q, is_found):
    found = fit_resonance(STILL, curve(f0_hz, q), NONE)
    assert (found is not None) == is_found
    if is_found:
        assert (found.resonance_hz, found.q) == pytest.approx((f0_hz, q), rel=1e-4)


def test_departure_is_the_residual_less_the_noise():
    """A ripple of 0.4 dB peak that no resonance follows: 0.28 dB rms, of which noise may be all."""
    ripple = 0.4 * np.cos(2.0 * np.pi * 8.0 * np.arange(len(HZ)) / len(HZ))
    clean = fit_resonance(STILL, curve() + ripple, NONE)
    assert clean.residual_db == pytest.approx(0.4 / np.sqrt(2.0), rel=0.1)
    assert clean.departure_db == pytest.approx(clean.residual_db, rel=1e-6)
    half = np.full(len(HZ), 0.2)
    noisy = fit_resonance(STILL, curve() + ripple, half)
    assert noisy.departure_db == pytest.approx(np.sqrt(noisy.residual_db**2 - 0.2**2), rel=1e-6)
    assert fit_resonance(STILL, curve() + ripple, 2.0 * half).departure_db == 0.0


def test_quiet_points_do_not_decide_alone():
    """Points without noise weigh as those of 0.1 dB: a hundred times noisier ones do not count."""
    shifted = curve()
    noise = np.where(np.arange(len(HZ)) % 2, 10.0, 0.0)
    shifted[1::2] = curve(11.0)[1::2]
    assert fit_resonance(STILL, shifted, noise).resonance_hz == pytest.approx(9.0, rel=1e-3)
    alike = np.where(np.arange(len(HZ)) % 2, 0.001, 0.0)
    assert fit_resonance(STILL, shifted, alike).resonance_hz == pytest.approx(10.0, rel=0.03)


def scatter(errors):
    """Return by how much each row of errors shifts the fit, and what that is said to be."""
    found = [fit_resonance(STILL, curve() + error, NONE) for error in errors]
    off_hz = np.array([fit.resonance_hz - 9.0 for fit in found])
    return off_hz, np.array([fit.uncertainty_hz for fit in found])


def test_the_uncertainty_is_the_scatter_of_the_resonance():
    """Monte Carlo: independent errors of 0.1 dB; shift over uncertainty has a spread of one."""
    off_hz, said_hz = scatter(0.1 * np.random.default_rng(7).standard_normal((100, len(HZ))))
    assert np.std(off_hz / said_hz) == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.8, 0.99])
def test_errors_that_go_with_their_neighbours_count_for_fewer_points(correlation):
    """(1 + r) / (1 - r) of the residuals' own r: beyond two standard deviations, at most 0.95.

    The rest is the covariance of an ordinary fit (scipy.optimize.curve_fit).
    """
    rng = np.random.default_rng(3)
    error = 0.1 * rng.standard_normal(len(HZ))
    for i in range(1, len(HZ)):
        error[i] += correlation * error[i - 1]

    def model(hz, gain_db, f0_hz, q):
        return gain_db + curve(f0_hz, q, hz)

    best, covariance = curve_fit(model, HZ, curve() + error, p0=(0.0, 9.0, 2.5))
    rest = curve() + error - model(HZ, *best)
    r = float(rest[1:] @ rest[:-1] / (rest @ rest))
    assert (r > 2.0 / np.sqrt(len(HZ))) == (correlation > 0.0)
    factor = np.sqrt((1.0 + r) / (1.0 - r)) if correlation else 1.0
    found = fit_resonance(STILL, curve() + error, NONE)
    assert found.uncertainty_hz == pytest.approx(factor * np.sqrt(covariance[1, 1]), rel=1e-3)


def test_no_correlation_makes_an_uncertainty_more_than_six_times_larger():
    """A slow wave leaves residuals whose r is 0.99: it counts as 0.95, sqrt(1.95 / 0.05)."""
    hz = np.geomspace(4.0, 25.0, 1200)
    error = 0.1 * np.cos(2.0 * np.pi * 10.0 * np.arange(1200) / 1200)
    sweep, shape = ResonanceSweep(hz, np.zeros(1200)), curve(hz=hz)
    found = fit_resonance(sweep, shape + error, np.zeros(1200))
    mixed = fit_resonance(
        sweep, shape + np.random.default_rng(1).permutation(error), np.zeros(1200)
    )
    ratio = found.uncertainty_hz / mixed.uncertainty_hz
    assert ratio == pytest.approx(np.sqrt(1.95 / 0.05), rel=0.02)


def test_a_smooth_error_of_a_decibel_shifts_the_resonance_by_what_is_said():
    """Monte Carlo: responses that forget their value over an octave, 0.1 dB rms."""
    octaves = np.subtract.outer(np.log2(HZ), np.log2(HZ))
    spread = np.linalg.cholesky(np.exp(-(octaves**2)) + 1e-9 * np.eye(len(HZ)))
    errors = 0.1 * np.random.default_rng(5).standard_normal((120, len(HZ))) @ spread.T
    off_hz, _ = scatter(errors)
    said = fit_resonance(STILL, curve(), NONE).hz_per_db
    assert np.std(off_hz) / 0.1 == pytest.approx(said, rel=0.2)


def test_rates_of_sweeps():
    """A logarithmic sweep passes f at f ln(stop / start) / T, a linear one everywhere alike."""
    falling, linear = make_side(
        {**SWEEP, "duration_s": 30.0}, {**SWEEP, "law": "linear", "duration_s": 30.0}
    ).tracks
    hz = np.array([5.0, 20.0])
    np.testing.assert_allclose(sweep_rate_hz_s(falling, hz), hz * np.log(4.0 / 25.0) / 30.0)
    np.testing.assert_allclose(sweep_rate_hz_s(linear, hz), -21.0 / 30.0)


def peak_hz(rate_hz_s):
    return minimize_scalar(
        lambda hz: (
            -swept_response_db(ResonanceSweep(np.array([hz]), np.array([rate_hz_s])), 10.0, 5.0)[0]
        ),
        bounds=(8.0, 13.0),
        method="bounded",
    ).x


def test_a_sweep_that_stands_still_shows_the_resonance_and_a_quick_one_shows_it_late():
    np.testing.assert_allclose(swept_response_db(STILL, 9.0, 2.5), curve(), atol=1e-9)
    still, rising, falling = (peak_hz(rate) for rate in (0.0, 0.05, -0.05))
    assert still == pytest.approx(10.0 / np.sqrt(1.0 - 0.5 / 25.0), rel=1e-4)
    # To first order the shift goes with the rate, and with its sign.
    assert falling < still < rising
    assert still - falling == pytest.approx(rising - still, rel=0.1)
    assert peak_hz(0.025) - still == pytest.approx(0.5 * (rising - still), rel=0.1)


def context_of(extra_db=0.0, **facts):
    side = make_side({**SWEEP, **facts})
    chain = replace(CHAIN, equalisation="flat", arm_effective_mass_g=11.0)
    wave = 0.1 * 10.0 ** ((curve() + extra_db) / 20.0)
    orders = orders_of(1, HZ, {1: (wave, wave)})
    return make_context(side, {"orders": orders}, chain=chain, cartridge=CARTRIDGE)


def row_of(context):
    return {name: values[0] for name, values in resonance_fit.measure(context).to_pydict().items()}


def test_a_sweep_without_a_duration_lasts_as_long_as_it_was_found_to():
    stated = row_of(context_of(duration_s=8.0))
    assert row_of(context_of()) == stated
    assert row_of(context_of(duration_s=80.0)) != stated


def test_a_row_of_a_resonance():
    """f0 = 9 Hz, Q = 2.5: the peak is 20 lg(Q / sqrt(1 - 1 / (4 Q^2))) = 8.136 dB, by hand."""
    row = row_of(context_of(duration_s=1e6))
    assert row["resonance_hz"] == pytest.approx(9.0, rel=1e-6)
    assert row["peak_db"] == pytest.approx(8.136, abs=1e-3)
    # (1000 / (2 pi 9))^2 / (11 + 7) um/mN.
    assert row["dynamic_compliance_um_per_mn"] == pytest.approx(17.373, abs=1e-3)
    assert row["rule_of_thumb_um_per_mn"] == 12.0


@pytest.mark.parametrize(("height_db", "is_stated"), [(0.67, True), (0.75, False)])
def test_a_curve_that_departs_by_half_a_decibel_has_no_resonance_figure(height_db, is_stated):
    """A ripple of that peak has height / sqrt 2 rms: 0.47 and 0.53 dB."""
    ripple = height_db * np.cos(2.0 * np.pi * 8.0 * np.arange(len(HZ)) / len(HZ))
    row = row_of(context_of(ripple, duration_s=1e6))
    assert row["residual_db"] == pytest.approx(height_db / np.sqrt(2.0), rel=0.06)
    for name in ("resonance_hz", "q", "peak_db", "asymptote_db", "resonance_hz_per_db"):
        assert (row[name] is not None) == is_stated, name
    assert (row["resonance_uncertainty_hz"] is not None) == is_stated


def test_figures_and_their_parts():
    """A tolerance of +-1 dB shifts 0.2 Hz/dB by 0.2 / sqrt 3 Hz; a compliance goes with f^-2."""
    rows = rows_of(
        "resonance_fit",
        track=[1],
        axis="vertical",
        resonance_hz=10.0,
        resonance_uncertainty_hz=0.05,
        dynamic_compliance_um_per_mn=15.0,
        resonance_hz_per_db=0.2,
    )
    side = make_side({**SWEEP, "modulation": "vertical"}, response_tolerance_db=1.0)
    chain = replace(CHAIN, response_tolerance_db=0.5, arm_mass_tolerance_pct=12.0)
    read = list(resonance_fit.figures(Measured({"resonance_fit": rows}, side, CARTRIDGE, chain)))
    found = {figure.metric: figure for figure in read}
    assert list(found) == ["resonance_vertical_hz", "dynamic_compliance_um_per_mn"]
    resonance, compliance = found.values()
    assert (resonance.value, resonance.noise, resonance.channel) == (10.0, 0.05, "vertical")
    assert resonance.parts == pytest.approx(
        {"record": 0.2 / np.sqrt(3.0), "preamplifier": 0.1 / np.sqrt(3.0)}
    )
    assert (compliance.value, compliance.noise) == pytest.approx((15.0, 2.0 * 15.0 * 0.05 / 10.0))
    for name, u_hz in resonance.parts.items():
        assert compliance.parts[name] == pytest.approx(3.0 * u_hz)
    # 12 % of the arm's 13 g, of 20 g in all: rectangular.
    assert compliance.parts["mass"] == pytest.approx(15.0 * 0.12 / np.sqrt(3.0) * 13.0 / 20.0)
