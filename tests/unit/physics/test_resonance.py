"""Checks of the arm's resonance against closed forms."""

import numpy as np
import pytest

from grooveledger.physics.resonance import (
    RESONANCE_CONSTANT,
    compliance_um_per_mn,
    high_pass_response,
    peak_db,
    peak_hz,
    resonance_hz,
)


def test_resonance_table():
    # f = 159.155 / sqrt(M C), printed on several pages; computed.
    assert pytest.approx(159.1549, abs=1e-4) == RESONANCE_CONSTANT
    mass_g = np.array([[10.0], [12.0], [15.0], [18.0], [20.0], [25.0]])
    expected_hz = [
        [22.51, 17.79, 15.92, 14.53, 12.99, 11.25, 10.07, 9.19, 8.51],
        [20.55, 16.24, 14.53, 13.26, 11.86, 10.27, 9.19, 8.39, 7.77],
        [18.38, 14.53, 12.99, 11.86, 10.61, 9.19, 8.22, 7.50, 6.95],
        [16.78, 13.26, 11.86, 10.83, 9.69, 8.39, 7.50, 6.85, 6.34],
        [15.92, 12.58, 11.25, 10.27, 9.19, 7.96, 7.12, 6.50, 6.01],
        [14.24, 11.25, 10.07, 9.19, 8.22, 7.12, 6.37, 5.81, 5.38],
    ]
    compliance = np.array([5, 8, 10, 12, 15, 20, 25, 30, 35])
    np.testing.assert_allclose(resonance_hz(mass_g, compliance), expected_hz, atol=6e-3)
    assert resonance_hz(20, 12) == pytest.approx(10.273, abs=1e-3)


def test_compliance_is_the_way_back():
    assert compliance_um_per_mn(20.0, resonance_hz(20.0, 12.0)) == pytest.approx(12.0)


@pytest.mark.parametrize(
    ("undamped_hz", "q", "height_db", "at_hz"),
    [(10, 2, 6.301, 10.690), (10, 3, 9.665, 10.290), (9, 2.5, 8.136, 9.383)],
)
def test_peak_of_the_second_order_response(undamped_hz, q, height_db, at_hz):
    # Computed from s^2 / (s^2 + s w0/Q + w0^2).
    assert peak_db(q) == pytest.approx(height_db, abs=6e-4)
    assert peak_hz(undamped_hz, q) == pytest.approx(at_hz, abs=6e-4)
    frequency_hz = np.linspace(5, 20, 150_001)
    response_db = 20 * np.log10(np.abs(high_pass_response(frequency_hz, undamped_hz, q)))
    assert response_db.max() == pytest.approx(height_db, abs=6e-4)
    assert frequency_hz[response_db.argmax()] == pytest.approx(at_hz, abs=6e-4)


def test_ends_of_the_response():
    response = high_pass_response([0.0, 10.0, 1e6], 10.0, 2.0)
    np.testing.assert_allclose(response, [0, 2j, 1], atol=1e-4)


def test_no_peak_at_low_q():
    assert peak_db(0.5) == pytest.approx(0.0)
    assert np.isinf(peak_hz(10.0, 0.5))
