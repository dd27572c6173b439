"""The robust fit against scipy, statsmodels, published figures and its own laws."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from grooveledger.interpret.drift import robust

# Distortion over hours: a set of ours; slope and interval computed with scipy.stats.theilslopes and
# by the ranks of Sen (1968).
HOURS = np.arange(0.0, 1000.0, 100.0)
DISTORTION = np.array([0.52, 0.50, 0.58, 0.66, 0.65, 0.77, 0.78, 0.88, 0.91, 0.95])


def design_of(*columns):
    return np.column_stack([np.ones(len(columns[0])), *columns])


def test_theil_sen_set():
    assert robust.theil_sen(HOURS, DISTORTION) == pytest.approx(5.285714e-4, abs=1e-9)


def test_theil_sen_is_scipys():
    rng = np.random.default_rng(3)
    x = rng.uniform(0, 10, 25).round(0)
    y = rng.standard_t(3, 25)
    assert robust.theil_sen(x, y) == pytest.approx(stats.theilslopes(y, x).slope, rel=1e-12)


def test_weighted_least_squares_is_scipys_line():
    design = design_of(HOURS)[None]
    found = robust.weighted_least_squares(design, DISTORTION[None], np.ones((1, 10)))[0]
    line = stats.linregress(HOURS, DISTORTION)
    np.testing.assert_allclose(found, [line.intercept, line.slope], rtol=1e-10)
    # The same set, worked in closed form.
    np.testing.assert_allclose(found, [0.4821818, 5.2848485e-4], rtol=1e-6)


def test_least_absolute_deviations_is_statsmodels_median_regression():
    rng = np.random.default_rng(1)
    x = rng.uniform(0, 1, 41)
    y = 1.0 + 2.0 * x + rng.standard_t(2, 41)
    median = sm.QuantReg(y, design_of(x)).fit(q=0.5, max_iter=5000, p_tol=1e-9)
    found = robust.least_absolute_deviations(design_of(x)[None], y[None])[0]
    losses = [np.sum(np.abs(y - design_of(x) @ b)) for b in (found, median.params)]
    assert losses[0] == pytest.approx(losses[1], rel=0.01)


def test_fit_solves_the_equations_of_statsmodels_bisquare():
    rng = np.random.default_rng(2)
    x = np.linspace(0, 1, 30)
    y = 1.0 - 0.5 * x + 0.1 * rng.standard_normal(30)
    y[[4, 17, 28]] += [1.5, -2.0, 3.0]
    fit = robust.robust_fit(design_of(x)[None], y[None])
    norm = sm.robust.norms.TukeyBiweight(c=robust.BISQUARE_SDS)
    weights = norm.weights((y - design_of(x) @ fit.coefficients[0]) / fit.scale[0])
    again = sm.WLS(y, design_of(x), weights=weights).fit().params
    np.testing.assert_allclose(fit.coefficients[0], again, rtol=1e-6)
    # Its own fit has another scale (median deviation), so it agrees within a part of the error.
    other = sm.RLM(y, design_of(x), M=norm).fit().params
    error = np.sqrt(np.diag(fit.covariance[0]))
    assert np.all(np.abs(fit.coefficients[0] - other) < 0.2 * error)
    assert list(np.flatnonzero(fit.weights[0] == 0.0)) == [4, 17, 28]


def test_normal_scatter_gives_nearly_the_least_squares_interval():
    rng = np.random.default_rng(4)
    x = np.linspace(0, 1, 400)
    y = 2.0 * x + rng.standard_normal(400)
    fit = robust.robust_fit(design_of(x)[None], y[None])
    line = stats.linregress(x, y)
    assert np.sqrt(fit.covariance[0, 1, 1]) == pytest.approx(line.stderr, rel=0.04)
    assert fit.scale[0] == pytest.approx(1.0, rel=0.1)


def test_exact_line_is_found_whatever_a_minority_does():
    x = np.linspace(0, 1, 21)
    y = 3.0 - 2.0 * x
    y[[0, 5, 9, 20]] = [50.0, -40.0, 1e3, 1e4]
    fit = robust.robust_fit(design_of(x)[None], y[None])
    np.testing.assert_allclose(fit.coefficients[0], [3.0, -2.0], atol=1e-6)


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    factor=st.floats(0.01, 100.0),
    shift=st.floats(-10.0, 10.0),
    tilt=st.floats(-10.0, 10.0),
)
def test_equivariance(seed, factor, shift, tilt):
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 1, 15)
    y = rng.standard_t(3, 15)
    plain = robust.robust_fit(design_of(x)[None], y[None])
    moved = robust.robust_fit(design_of(x)[None], (factor * y + shift + tilt * x)[None])
    wanted = factor * plain.coefficients[0] + [shift, tilt]
    np.testing.assert_allclose(moved.coefficients[0], wanted, atol=1e-4 * (factor + 10.0))
    np.testing.assert_allclose(moved.scale, factor * plain.scale, rtol=1e-3)


def test_series_do_not_touch_each_other():
    rng = np.random.default_rng(5)
    x = np.linspace(0, 1, 20)
    values = rng.standard_normal((3, 20))
    design = np.broadcast_to(design_of(x), (3, 20, 2))
    together = robust.robust_fit(design, values)
    alone = robust.robust_fit(design[1:2], values[1:2])
    np.testing.assert_allclose(together.coefficients[1], alone.coefficients[0], rtol=1e-7)


def test_constant_figures_have_no_scatter():
    x = np.linspace(0, 1, 10)
    fit = robust.robust_fit(design_of(x)[None], np.full((1, 10), 7.0))
    np.testing.assert_allclose(fit.coefficients[0], [7.0, 0.0], atol=1e-9)
    assert fit.scale[0] < 1e-9


def test_too_few_captures_are_refused():
    with pytest.raises(ValueError, match="n=2 captures"):
        robust.robust_fit(design_of(np.arange(2.0))[None], np.zeros((1, 2)))


def test_quantile_of_student():
    # Tables of Student's t, two-sided 95 %.
    np.testing.assert_allclose(
        robust.quantile_t([4, 8, 20, np.inf]), [2.7764, 2.3060, 2.0860, 1.95996], atol=1e-4
    )
