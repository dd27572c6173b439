"""What captures of one day share, against closed forms and statsmodels."""

import numpy as np
import pytest
import statsmodels.api as sm

from grooveledger.interpret.drift import sessions

DAY = np.array([0, 0, 1, 2, 2, 2, 3, 4, 4])


def covariance(share):
    same = DAY[:, None] == DAY[None, :]
    return np.where(same, share, 0.0) + (1.0 - share) * np.eye(len(DAY))


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9])
def test_transformed_captures_are_independent(share):
    theta = sessions.transform_weights(np.array([share]), DAY)
    change = np.eye(len(DAY)) - theta[0][:, None] * sessions.day_means(DAY)
    np.testing.assert_allclose(
        change @ covariance(share) @ change.T, (1.0 - share) * np.eye(len(DAY)), atol=1e-12
    )


def test_least_squares_after_it_is_generalised_least_squares():
    rng = np.random.default_rng(1)
    share = np.array([0.6])
    design = np.column_stack([np.ones(9), np.arange(9.0)])
    values = rng.standard_normal(9)
    theta = sessions.transform_weights(share, DAY)
    means = sessions.day_means(DAY)
    white_design = sessions.whiten(design[None], theta, means)[0]
    white_values = sessions.whiten(values[None], theta, means)[0]
    found = np.linalg.lstsq(white_design, white_values, rcond=None)[0]
    wanted = sm.GLS(values, design, sigma=covariance(0.6)).fit().params
    np.testing.assert_allclose(found, wanted, rtol=1e-9)


def test_shared_part_is_found():
    rng = np.random.default_rng(2)
    day = np.repeat(np.arange(200), 2)
    common = np.repeat(rng.standard_normal((3, 200)), 2, axis=1)
    own = rng.standard_normal((3, 400))
    shares = np.array([[0.0], [0.5], [0.9]])
    residuals = np.sqrt(shares) * common + np.sqrt(1.0 - shares) * own
    found = sessions.shared_part(residuals, day, 2, sessions.day_means(day))
    np.testing.assert_allclose(found, shares[:, 0], atol=0.1)


def test_no_repeats_share_nothing():
    day = np.arange(9)
    found = sessions.shared_part(np.ones((1, 9)), day, 2, sessions.day_means(day))
    assert found[0] == 0.0


def test_effective_captures():
    np.testing.assert_allclose(sessions.effective_captures(np.array([0.0, 1.0]), DAY), [9.0, 5.0])


def test_repeatability_pools_the_cells():
    # ISO 5725-2: squares within the cells over their degrees of freedom.
    values = np.array([[1.0, 3.0, 50.0, 0.0, 1.0, 2.0, 7.0, 5.0, 5.0]])
    found = sessions.repeatability_sd(values, DAY, np.ones((1, 9), dtype=bool))
    assert found[0] == pytest.approx(np.sqrt((2.0 + 2.0 + 0.0) / 4.0))


def test_repeatability_leaves_out_what_does_not_count():
    values = np.array([[1.0, 3.0, 50.0, 0.0, 1.0, 900.0, 7.0, 5.0, 5.0]])
    counts = np.ones((1, 9), dtype=bool)
    counts[0, 5] = False
    found = sessions.repeatability_sd(values, DAY, counts)
    assert found[0] == pytest.approx(np.sqrt((2.0 + 0.5 + 0.0) / 3.0))


def test_repeatability_is_unknown_without_repeats():
    assert np.isnan(
        sessions.repeatability_sd(np.zeros((1, 4)), np.arange(4), np.ones((1, 4), dtype=bool))[0]
    )
