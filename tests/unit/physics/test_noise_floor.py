import numpy as np
import pytest

from grooveledger.physics.noise_floor import HEARD_RE_FLOOR, NOISE_95, is_heard, upper_bound


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
