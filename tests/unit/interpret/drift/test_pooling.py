"""Partial pooling of slopes."""

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from grooveledger.interpret.drift import pooling, rows

SLOPES = np.array([-0.9, -0.5, -1.4, -0.7])
VARIANCES = np.array([0.01, 0.04, 0.02, 0.03])


def test_eight_schools():
    # Rubin (1981); Gelman et al., Bayesian Data Analysis, section 5.5: effects and errors. The
    # results are drawn here by another way, at random from the same model.
    effects = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
    errors = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])
    rng = np.random.default_rng(1)
    mean = rng.uniform(-60.0, 80.0, 400_000)
    between = rng.uniform(0.0, 80.0, 400_000)
    total = errors[:, None] ** 2 + between**2
    fits = -0.5 * np.sum((effects[:, None] - mean) ** 2 / total + np.log(total), axis=0)
    kept = np.log(rng.uniform(size=fits.size)) < fits - fits.max()
    drawn = errors[:, None] ** 2 / total[:, kept]
    school = drawn * mean[kept] + (1.0 - drawn) * effects[:, None]
    spread = np.sqrt((1.0 - drawn) * errors[:, None] ** 2)
    school = school + spread * rng.standard_normal(school.shape)
    pooled, sd = pooling.shrink(effects, errors**2)
    np.testing.assert_allclose(pooled, school.mean(axis=1), atol=0.5)
    np.testing.assert_allclose(sd, school.std(axis=1), rtol=0.06)


def test_slopes_known_well_keep_their_places():
    slopes, errors = pooling.shrink(SLOPES, np.full(4, 1e-6))
    np.testing.assert_allclose(slopes, SLOPES, atol=1e-4)
    np.testing.assert_allclose(errors, 1e-3, rtol=0.01)


def test_slopes_known_badly_meet_at_the_common_mean():
    slopes, _ = pooling.shrink(SLOPES * 1e-3, VARIANCES)
    mean = combine_effects(SLOPES * 1e-3, VARIANCES).mean_effect_fe
    np.testing.assert_allclose(slopes, mean, atol=2e-4)


def test_a_badly_known_slope_moves_most():
    slopes, _ = pooling.shrink(SLOPES, np.array([1e-6, 1e-6, 1e-6, 4.0]))
    np.testing.assert_allclose(slopes[:3], SLOPES[:3], atol=1e-3)
    assert slopes[3] == pytest.approx(np.mean(SLOPES[:3]), abs=0.1)


def styli(*reaches):
    """Rows of styli of one type whose slopes are known within these."""
    return [
        rows.DriftRow(
            stylus=str(i),
            cartridge="type",
            metric="thd_1khz_pct",
            channel="left",
            unit="%",
            group="stylus",
            slope_per_100h=1.0 + 0.1 * i,
            slope_low=1.0 + 0.1 * i - reach,
            slope_high=1.0 + 0.1 * i + reach,
        )
        for i, reach in enumerate(reaches)
    ]


@pytest.mark.parametrize(("reaches", "is_pooled"), [((0.1, 0.1), False), ((0.1, 0.1, 0.1), True)])
def test_rows_of_three_styli_are_pooled_and_of_two_not(reaches, is_pooled):
    found = styli(*reaches)
    pooling.pool_slopes(found)
    assert [np.isfinite(row.slope_pooled_per_100h) for row in found] == [is_pooled] * len(found)


def test_a_pooled_interval_is_that_of_the_slopes_and_half_their_intervals_over_1_96():
    found = styli(0.2, 0.3, 0.1)
    pooling.pool_slopes(found)
    slopes, sds = pooling.shrink(
        np.array([1.0, 1.1, 1.2]), (np.array([0.2, 0.3, 0.1]) / 1.959964) ** 2
    )
    for row, slope, sd in zip(found, slopes, sds, strict=True):
        assert row.slope_pooled_per_100h == pytest.approx(slope)
        assert row.slope_pooled_low == pytest.approx(slope - 1.959964 * sd)
        assert row.slope_pooled_high == pytest.approx(slope + 1.959964 * sd)


def test_a_slope_without_scatter_is_not_pooled():
    """Figures that are all but zero: the square of their interval is zero."""
    found = styli(0.1, 0.1, 0.0)
    found[2].slope_per_100h = found[2].slope_low = -2e-205
    found[2].slope_high = 2e-205
    pooling.pool_slopes(found)
    assert all(np.isnan(row.slope_pooled_per_100h) for row in found)
