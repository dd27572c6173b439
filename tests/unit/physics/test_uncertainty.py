"""Checks of the GUM arithmetic (JCGM 100, from memory) and tables of Student's t."""

import numpy as np
import pytest

from grooveledger.physics.uncertainty import (
    combine,
    coverage_factor,
    coverage_factors,
    noise_level_db,
    rectangular,
    tolerance_db,
)


def test_worked_example():
    # Five readings and a tolerance of 0.05 dB; computed after JCGM 100 (from memory).
    readings_db = np.array([-0.31, -0.28, -0.35, -0.30, -0.26])
    type_a = readings_db.std(ddof=1) / np.sqrt(readings_db.size)
    type_b = rectangular(0.05)
    assert type_a == pytest.approx(0.015166, abs=1e-6)
    assert type_b == pytest.approx(0.028868, abs=1e-6)
    combined = combine(type_a, type_b)
    assert combined == pytest.approx(0.032609, abs=1e-6)
    # Welch-Satterthwaite (G.4): 4 (u / type_a)^4 effective degrees.
    k = coverage_factor(4.0 * float(combined / type_a) ** 4)
    assert k == pytest.approx(1.988, abs=1e-3)
    assert k * combined == pytest.approx(0.0648, abs=1e-4)


def test_student_t():
    # Tables of Student's t, 97.5 %.
    for nu, t in [(4, 2.7764), (5, 2.5706), (8, 2.3060), (9, 2.2622), (10, 2.2281), (30, 2.0423)]:
        assert coverage_factor(nu) == pytest.approx(t, abs=6e-5)
    assert coverage_factor() == pytest.approx(1.959964, abs=1e-6)


def test_arrays_combine_by_place():
    np.testing.assert_allclose(combine([3.0, 0.0], [4.0, 2.0]), [5.0, 2.0])


def test_tolerances_of_a_level():
    # JCGM 100, 4.3.7: rectangular, root-sum-squared.
    assert tolerance_db(1.0, 0.5) == pytest.approx(np.sqrt(1.25 / 3.0))
    assert tolerance_db(0.0, 0.0) == 0.0


def test_noise_of_a_level_is_that_of_many_trials():
    # Monte Carlo: complex noise of rms r about a signal of 1.
    ratio, rng = 0.02, np.random.default_rng(4)
    noise = ratio / np.sqrt(2.0) * (rng.normal(size=20_000) + 1j * rng.normal(size=20_000))
    levels_db = 20.0 * np.log10(np.abs(1.0 + noise))
    assert noise_level_db(ratio) == pytest.approx(float(np.std(levels_db)), rel=0.02)


@pytest.mark.parametrize(
    ("normal", "tolerances"),
    [
        (0.0, [1.0]), (0.0, [1.0, 1.0]), (0.0, [1.0, 0.3]), (0.3, [1.0]), (1.0, [1.0]),
        (0.5, [1.0, 0.5, 0.2]), (1.0, [0.1]), (0.1, [1.0, 1.0, 1.0]),
    ],
)  # fmt: skip
def test_a_sum_of_tolerances_and_noise_lies_within_its_interval_19_times_in_20(normal, tolerances):
    """Monte Carlo after JCGM 101: the distribution of the sum itself."""
    rng = np.random.default_rng(7)
    half_widths = np.sqrt(3.0) * np.array(tolerances)
    draws = rng.uniform(-1.0, 1.0, (100_000, len(tolerances))) @ half_widths
    draws += normal * rng.standard_normal(100_000)
    u = np.sqrt(normal**2 + np.sum(np.square(tolerances)))
    k = coverage_factors([np.inf], [normal], np.array(tolerances)[:, np.newaxis])[0]
    assert 0.94 < np.mean(np.abs(draws) <= k * u) < 0.962
