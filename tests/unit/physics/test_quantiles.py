"""Quantiles as numpy has them."""

import numpy as np
import pytest

from grooveledger.physics.quantiles import quantile


@pytest.mark.parametrize("count", [1, 2, 3, 10, 101])
@pytest.mark.parametrize("part", [0.0, 0.25, 0.5, 0.95, 1.0])
def test_quantiles_are_those_of_numpy(count, part):
    values = np.random.default_rng(count).normal(size=count)
    before = values.copy()
    assert quantile(values, part) == pytest.approx(np.quantile(values, part), rel=1e-12)
    assert np.array_equal(values, before)
