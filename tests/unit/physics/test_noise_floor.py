import numpy as np
import pytest

from grooveledger.physics.noise_floor import (
    HEARD_RE_FLOOR,
    NOISE_95,
    is_heard,
    is_stated,
    sum_noise,
    upper_bound,
)


def test_noise_alone_is_heard_seldom_and_bounded_nearly_always() -> None:
    """Complex Gaussian noise: exceeds twice its rms with exp(-4), NOISE_95 times with 5 %."""
    rng = np.random.default_rng(11)
    noise = (rng.standard_normal((20_000, 1)) + 1j * rng.standard_normal((20_000, 1))) / np.sqrt(2)
    floor = np.ones((20_000, 1))
    assert is_heard(np.abs(noise), floor).mean() == pytest.approx(np.exp(-4.0), abs=0.003)
    for truth in (0.0, 0.7, 2.0):
        bound = upper_bound(np.abs(truth + noise), floor)
        assert (bound >= truth).mean() >= 0.95
    assert (np.abs(noise) > NOISE_95).mean() == pytest.approx(0.05, abs=0.005)


def test_silence_is_not_heard() -> None:
    zero = np.zeros((1, 2))
    assert not is_heard(zero, zero).any()
    assert not is_heard(np.full((1, 2), np.nan), np.full((1, 2), np.nan)).any()
    assert is_heard(np.array([[HEARD_RE_FLOOR, np.nan]]), np.array([[1.0, np.nan]])).all()


def test_what_noise_leaves_uncertain_of_a_sum_of_lines() -> None:
    """A line a in noise n: power variance 2 a^2 n^2 + n^4, and 30 % of the noise's own power."""
    a, n = np.array([0.5, 0.2]), np.array([0.1, 0.05])
    variance = np.sum(2.0 * a**2 * n**2 + (1.0 + 0.3**2) * n**4)
    assert sum_noise(a, n) == pytest.approx(0.5 * np.sqrt(variance) / np.hypot(*a))
    assert sum_noise(np.array([0.5, np.nan]), np.array([0.1, np.nan])) == pytest.approx(
        sum_noise(a[:1], n[:1])
    )
    assert sum_noise(np.zeros(1), np.ones(1)) == np.inf
    assert sum_noise(np.zeros(1), np.zeros(1)) == 0.0


@pytest.mark.parametrize(("times", "stated"), [(2.99, False), (3.01, True)])
def test_a_figure_is_stated_where_three_standard_uncertainties_are_tolerable(
    times: float, stated: bool
) -> None:
    assert is_stated(np.array(1.0 / times), 1.0) == stated
    assert not is_stated(np.array(np.nan), 1.0)
