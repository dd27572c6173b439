"""Least squares of many figures, and probabilities over a page."""

import numpy as np
import pytest
import statsmodels.api
from scipy.stats import norm, t

from grooveledger.interpret.drift import days, least_squares, serial

RNG = np.random.default_rng(3)
DESIGN = np.column_stack([np.ones(15), np.arange(15.0), RNG.standard_normal(15)])
VALUES = RNG.standard_normal((4, 15))


def test_fit_is_statsmodels():
    found = least_squares.fit(DESIGN, VALUES, np.zeros(4))
    for i, values in enumerate(VALUES):
        wanted = statsmodels.api.OLS(values, DESIGN).fit()
        np.testing.assert_allclose(found.coefficients[i], wanted.params)
        np.testing.assert_allclose(found.covariance(i), wanted.cov_params(), rtol=1e-9)
        ratio = found.coefficients[i, 1] / found.error(1)[i]
        assert least_squares.two_sided_p(ratio, 12.0) == pytest.approx(wanted.pvalues[1])


@pytest.mark.parametrize("degrees", [4, 10, 100])
def test_scores_are_normal(degrees):
    # Wallace (1959): within a few parts in a thousand of the exact transformation.
    ratio = np.array([0.5, 2.0, 5.0])
    wanted = norm.isf(t.sf(ratio, degrees))
    found = least_squares.normal_score(ratio**2, np.full(3, float(degrees)))
    np.testing.assert_allclose(found, wanted, rtol=0.02)


def test_score_of_a_column_is_its_t_ratio():
    orders = np.array([RNG.permutation(15) for _ in range(3)])
    basis = np.linalg.qr(DESIGN[:, [0, 2]])[0]
    own, permuted = least_squares.column_scores(basis, DESIGN[:, 1], VALUES, orders, np.zeros(4))
    for i, values in enumerate(VALUES):
        wanted = statsmodels.api.OLS(values, DESIGN).fit().tvalues[1]
        assert own[i] == pytest.approx(least_squares.normal_score(wanted**2, 12.0))
        # Freedman & Lane: the residuals of the model without the column, in another order.
        rest = values - basis @ (basis.T @ values)
        wanted = statsmodels.api.OLS(_unpermuted(rest, orders[0]), DESIGN).fit().tvalues[1]
        # Their mean squares along the column and outside the design, by the projections R of the
        # model's residuals and M of the design's: u' P R P' u and the trace of M P R P'.
        turned = np.eye(15)[orders[0]].T
        reduced = np.eye(15) - basis @ basis.T
        unit = reduced @ DESIGN[:, 1] / np.linalg.norm(reduced @ DESIGN[:, 1])
        spread = turned @ reduced @ turned.T
        along = unit @ spread @ unit
        outside = np.trace((reduced - np.outer(unit, unit)) @ spread)
        ratio = wanted**2 * outside / (12.0 * along)
        assert permuted[i, 0] == pytest.approx(least_squares.normal_score(ratio, 12.0))


def _unpermuted(rest, order):
    moved = np.empty_like(rest)
    moved[order] = rest
    return moved


def test_probability_counts_the_permutations_that_are_as_large():
    largest = np.arange(99.0)
    found = least_squares.page_probability(np.array([200.0, 98.0, 0.0]), largest)
    np.testing.assert_allclose(found, [0.01, 0.02, 1.0])


def test_an_odd_day_is_drawn_to_its_neighbours_and_a_level_is_not():
    line = np.column_stack([np.ones(30), np.arange(30.0)])
    values = np.stack([0.1 * np.random.default_rng(1).standard_normal(30)] * 2)
    values[0, 12] += 3.0
    values[1, 12:] += 3.0
    away = days.odd_deviations(values, line)
    assert list(np.flatnonzero(away[0])) == [12]
    assert not away[1].any()


def test_captures_of_one_day_are_averaged():
    day = np.array(["a", "b", "a"])
    means = days.averaging(day, np.array([1.0, 0.0, 2.0]))
    np.testing.assert_allclose(means @ np.array([4.0, 7.0, 6.0]), [7.0, 5.0])


def test_repeatability_of_iso_5725():
    # Three cells of two: half the squared differences, averaged.
    values = np.array([[1.0, 3.0, 5.0, 5.0, 0.0, 4.0]])
    sd = days.repeatability_sd(values, np.array([0, 0, 1, 1, 2, 2]))
    assert sd[0] == pytest.approx(np.sqrt((2.0 + 0.0 + 8.0) / 3.0))
    assert np.isnan(days.repeatability_sd(values, np.arange(6))[0])


def test_whitening_takes_out_the_correlation():
    gaps = np.array([1.0, 2.0, 0.5])
    places = np.concatenate([[0.0], np.cumsum(gaps)])
    correlation = 0.6 ** np.abs(places[:, None] - places)
    made = serial.whiten(np.eye(4), 0.6**gaps)
    np.testing.assert_allclose(made @ correlation @ made.T, np.eye(4), atol=1e-12)


@pytest.mark.parametrize(("lag", "low", "high"), [(0.0, 0.0, 0.05), (0.6, 0.5, 0.7)])
def test_serial_correlation_of_a_page(lag, low, high):
    rng = np.random.default_rng(8)
    values = rng.standard_normal((60, 20))
    for i in range(1, 20):
        values[:, i] = lag * values[:, i - 1] + np.sqrt(1.0 - lag**2) * values[:, i]
    hours = 10.0 * np.arange(20.0)
    design = np.column_stack([np.ones(20), hours, hours**2])
    found = serial.estimate([serial.Sample(design, values, hours, hours)])
    assert low <= found.strength <= high


def test_permuted_days_show_a_trend_as_often_as_chance():
    """Days of unequal weight: the largest of 40 normal scores, against permutations of its page."""
    rng = np.random.default_rng(21)
    days, level = 12, 0.1
    relative = np.linspace(0.4, 1.6, days)
    basis = (1.0 / relative)[:, None] / np.linalg.norm(1.0 / relative)
    column = np.arange(days) / relative
    alarms = []
    for _ in range(1000):
        values = rng.standard_normal((40, days))
        orders = np.argsort(rng.random((99, days)), axis=1)
        own, permuted = least_squares.column_scores(basis, column, values, orders, np.zeros(40))
        p = least_squares.page_probability(own, permuted.max(axis=0))
        alarms.append(p.min() <= level)
    # Binomial standard error 1 %.
    assert np.mean(alarms) == pytest.approx(level, abs=0.025)


def test_what_permuted_residuals_lose_is_that_of_the_basis():
    """Squares of permuted residuals of unit scatter, averaged over many draws."""
    rng = np.random.default_rng(22)
    basis = np.linalg.qr(np.column_stack([np.linspace(0.3, 2.0, 8), rng.standard_normal(8)]))[0]
    unit = least_squares.outside(rng.standard_normal(8), basis)
    order = rng.permutation(8)
    free, kept = least_squares.permuted_degrees(basis, unit[:, None], order[None])
    rest = rng.standard_normal((100_000, 8))
    rest -= (rest @ basis) @ basis.T
    along = rest @ unit[order]
    within = rest @ basis[order]
    assert np.mean(along**2) == pytest.approx(kept[0, 0], rel=0.03)
    outside = np.sum(rest**2, axis=1) - np.sum(within**2, axis=1)
    assert np.mean(outside) == pytest.approx(free[0], rel=0.01)
