"""Checks of distortion (IEC 60268-3, from memory) and of the equaliser's part in it."""

import numpy as np
import pytest

from grooveledger.physics.distortion import (
    harmonics_after_equaliser,
    modulation_distortion,
    thd_re_fundamental,
)

ORDERS = np.array([2, 3, 4, 5])

# dB by which the replay curve changes harmonics 2 to 5 re the fundamental; computed.
EQUALISER_ON_HARMONICS = {
    100: (-4.869, -7.604, -9.305, -10.441),
    200: (-4.436, -6.379, -7.468, -8.219),
    300: (-3.644, -5.135, -6.089, -6.880),
    315: (-3.537, -4.992, -5.950, -6.760),
    400: (-3.032, -4.389, -5.426, -6.372),
    500: (-2.648, -4.043, -5.236, -6.348),
    1000: (-2.589, -4.740, -6.605, -8.210),
    2000: (-4.017, -7.010, -9.306, -11.146),
    3150: (-4.942, -8.226, -10.638, -12.535),
    5000: (-5.525, -8.947, -11.411, -13.332),
    6300: (-5.696, -9.154, -11.631, -13.558),
    10000: (-5.886, -9.382, -11.872, -13.806),
    1e9: (-6.021, -9.542, -12.041, -13.979),
}


def test_equaliser_on_harmonics():
    frequency_hz = np.array(list(EQUALISER_ON_HARMONICS))
    after = harmonics_after_equaliser(
        np.ones((frequency_hz.size, 4)), frequency_hz, ORDERS, "iec98"
    )
    np.testing.assert_allclose(
        20 * np.log10(np.abs(after)), list(EQUALISER_ON_HARMONICS.values()), atol=6e-4
    )


@pytest.mark.parametrize(
    ("frequency_hz", "expected_pct", "thd_pct"),
    [
        (1000, (2.6944, 0.8629, 0.4278, 0.2573), 2.8729),
        (300, (3.0424, 0.9031, 0.4032, 0.2208), 3.2067),
    ],
)
def test_correction_to_the_velocity_domain(frequency_hz, expected_pct, thd_pct):
    # Worked example, computed: 2, 0.5, 0.2, 0.1 % after the replay curve (THD 2.0736 %).
    measured = np.array([2.0, 0.5, 0.2, 0.1])
    assert thd_re_fundamental(measured) == pytest.approx(2.0736, abs=6e-5)
    heard = harmonics_after_equaliser(expected_pct, frequency_hz, ORDERS, "iec98")
    np.testing.assert_allclose(np.abs(heard), measured, atol=6e-5)
    assert thd_re_fundamental(expected_pct) == pytest.approx(thd_pct, abs=6e-5)


def test_pure_amplitude_modulation():
    # Exact: AM of depth m has two sidebands of m/2, arithmetic sum m.
    result = modulation_distortion([[0.05, 0.05], [0.0, 0.0]], 1.0)
    assert result.second_order == pytest.approx(0.1)
    assert result.third_order == 0.0
    assert result.total == pytest.approx(0.1)


def test_orders_add_as_squares_and_sides_as_magnitudes():
    sidebands = np.array([[[0.01, 0.02j], [0.01, -0.03]]]) * 4.0
    result = modulation_distortion(sidebands, np.array([4.0j]))
    np.testing.assert_allclose(result.second_order, [0.03])
    np.testing.assert_allclose(result.third_order, [0.04])
    np.testing.assert_allclose(result.total, [0.05])


def test_sidebands_of_two_tone_pairs():
    # Computed: what the replay curve does to sidebands re the high tone, dB.
    for low_hz, high_hz, expected_db in [
        (60, 7000, (0.138, 0.069, -0.068, -0.136)),
        (250, 8000, (0.524, 0.258, -0.251, -0.496)),
        (400, 4000, (1.469, 0.713, -0.671, -1.302)),
    ]:
        ratios = 1.0 + np.array([-2, -1, 1, 2]) * low_hz / high_hz
        after = harmonics_after_equaliser(np.ones(4), float(high_hz), ratios, "iec98")
        np.testing.assert_allclose(20 * np.log10(np.abs(after)), expected_db, atol=6e-4)
