import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grooveledger.measure.curves import covers, smoothed, value_at

OCTAVES_HZ = 1000.0 * 2.0 ** np.arange(-4.0, 5.0)


def test_a_curve_straight_on_log_frequency_is_read_exactly_between_points() -> None:
    values = -6.0 * np.log2(OCTAVES_HZ / 1000.0)
    assert value_at(OCTAVES_HZ, values, 3000.0) == pytest.approx(-6.0 * np.log2(3.0))
    assert value_at(OCTAVES_HZ[::-1], values[::-1], 3000.0) == pytest.approx(-6.0 * np.log2(3.0))


@pytest.mark.parametrize(
    ("last_hz", "reached"), [(20_000.0, True), (19_905.0, True), (19_895.0, False)]
)
def test_a_curve_reaches_half_a_percent_beyond_its_ends(last_hz: float, reached: bool) -> None:
    frequency_hz = np.array([1000.0, last_hz])
    assert covers(frequency_hz, 20_000.0) is reached
    value = value_at(frequency_hz, np.array([0.0, -2.0]), 20_000.0)
    assert (value == pytest.approx(-2.0, abs=1e-3)) if reached else np.isnan(value)


def test_one_point_is_a_curve_and_none_is_not() -> None:
    assert value_at(np.array([1000.0]), np.array([3.0]), 1004.0) == 3.0
    assert not covers(np.empty(0), 1000.0)
    assert np.isnan(value_at(np.empty(0), np.empty(0), 1000.0))


@settings(max_examples=20, deadline=None, derandomize=True)
@given(st.floats(0.05, 2.0), st.floats(-20.0, 20.0))
def test_smoothing_leaves_a_straight_line_alone(octaves: float, slope_db: float) -> None:
    frequency_hz = np.geomspace(20.0, 20_000.0, 240)
    line = slope_db * np.log10(frequency_hz)
    np.testing.assert_allclose(smoothed(frequency_hz, line, octaves), line, atol=1e-9)


def test_smoothing_averages_a_ripple_away() -> None:
    place = np.linspace(0.0, 9.0, 24 * 9 + 1)
    ripple = np.cos(2.0 * np.pi * place * 3.0)
    third = smoothed(20.0 * 2.0**place, ripple, 1.0 / 3.0)
    # Nine points over exactly a period of eight intervals: a ninth of the ripple is left.
    assert np.abs(third[8:-8]).max() == pytest.approx(1.0 / 9.0, abs=1e-6)
    assert smoothed(20.0 * 2.0**place, ripple, 0.0) is ripple
