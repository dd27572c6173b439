"""Checks against IEC 61672-1, ITU-R BS.468-4, IEC 60386; memory where a check says memory."""

import numpy as np
import pytest

from grooveledger.physics import weighting
from grooveledger.physics.weighting import (
    FLUTTER_WEIGHTING_TABLE,
    a_weighting_db,
    a_weighting_response,
    flutter_weighting,
    rumble_weighting_db,
    two_sigma_peak,
    weighting_468_db,
    weighting_468_response,
)

# IEC 61672-1 and GOST 17187-2010: third octaves from 10 Hz to 20 kHz, dB.
A_TABLE = [
    -70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4,
    -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8, 0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1,
    -2.5, -4.3, -6.6, -9.3,
]  # fmt: skip

# ITU-R BS.468-4, table 1: Hz, dB.
TABLE_468 = np.array(
    [
        (31.5, -29.9), (63, -23.9), (100, -19.8), (200, -13.8), (400, -7.8), (800, -1.9), (1000, 0),
        (2000, 5.6), (3150, 9.0), (4000, 10.5), (5000, 11.7), (6300, 12.2), (7100, 12.0),
        (8000, 11.4), (9000, 10.1), (10000, 8.1), (12500, 0), (14000, -5.3), (16000, -11.7),
        (20000, -22.2), (31500, -42.7),
    ]
)  # fmt: skip


def flutter_db(frequency_hz):
    return 20.0 * np.log10(np.abs(flutter_weighting(frequency_hz)))


def test_a_weighting_meets_the_standard_at_exact_third_octaves():
    exact_hz = 1000.0 * 10.0 ** (np.arange(-20, 14) / 10.0)
    np.testing.assert_array_equal(np.round(a_weighting_db(exact_hz), 1) + 0.0, A_TABLE)


def test_a_weighting_is_zero_at_1khz():
    assert a_weighting_db(1000.0) == pytest.approx(0.0, abs=1e-4)


def test_468_meets_table_1():
    np.testing.assert_allclose(weighting_468_db(TABLE_468[:, 0]), TABLE_468[:, 1], atol=0.09)


def test_468_analytic_values():
    # From memory: the polynomial form's own values.
    np.testing.assert_allclose(
        weighting_468_db([100, 6300, 12500]), [-19.889, 12.178, -0.054], atol=6e-4
    )


@pytest.mark.parametrize(
    ("response", "level_db", "atol"),
    [
        (a_weighting_response, a_weighting_db, 1e-9),
        (weighting_468_response, weighting_468_db, 0.02),
    ],
)
def test_a_complex_weighting_has_the_levels_of_the_other_and_is_a_real_filters(
    response, level_db, atol
):
    hz = np.geomspace(20.0, 20_000.0, 200)
    np.testing.assert_allclose(20.0 * np.log10(np.abs(response(hz))), level_db(hz), atol=atol)
    # A filter with a real impulse response, and so a causal one: quasi-peak depends on its phase.
    np.testing.assert_allclose(response(-hz), np.conj(response(hz)), rtol=1e-12)


def test_flutter_weighting_is_near_each_row_of_the_table():
    # Circular: the fit was made to this table, which is from memory. It tests the implementation.
    table = np.array(FLUTTER_WEIGHTING_TABLE)
    np.testing.assert_allclose(flutter_db(table[:, 0]), table[:, 1], atol=0.27 + 5e-3)


def test_flutter_weighting_values():
    # The fit's own values (not a published figure): once and twice a turn, mains, its 100 Hz row.
    np.testing.assert_allclose(
        flutter_db([4, 0.5556, 0.75, 1.1111, 1.5, 8, 50, 100]),
        [0, -10.07, -6.61, -3.45, -1.82, -1.34, -12.24, -17.52],
        atol=0.01,
    )


def test_flutter_weighting_of_eccentricity():
    # 0.2 mm at 100 mm, 33 1/3: 0.200 % unweighted, 0.0627 % with the fit (computed).
    assert 0.2 * abs(flutter_weighting(1 / 1.8)) == pytest.approx(0.0627, abs=5e-5)


def test_two_sigma_of_a_sine():
    # Exact: |sin| exceeds sin(0.95 pi / 2) 5 % of the time. IEC 60386; the 5 % from memory.
    phase = 2 * np.pi * np.arange(100_000) / 100_000
    assert two_sigma_peak(0.1 * np.sin(phase)) == pytest.approx(0.0996917, rel=1e-4)


def test_two_sigma_of_gaussian_noise():
    # Exact: the 97.5 % quantile of the normal distribution.
    noise = np.random.default_rng(3).normal(size=200_000)
    assert two_sigma_peak(noise) == pytest.approx(1.959964, rel=0.01)


@pytest.mark.parametrize("network", ["unweighted", "weighted"])
def test_rumble_networks_are_0_db_at_315_hz(network):
    # Leaflet of a DIN 45544 record: the only certain point of either network.
    assert rumble_weighting_db(315.0, network) == pytest.approx(0.0, abs=1e-12)


def test_rumble_networks_as_remembered():
    # From memory, not verified: 6 dB/oct below 10 Hz and 12 above 500 Hz; 12 dB/oct about 315 Hz.
    np.testing.assert_allclose(
        rumble_weighting_db([2.5, 10, 100, 500, 2000, 4000], "unweighted"),
        [-12, 0, 0, -3, -27, -39],
        atol=1e-9,
    )
    np.testing.assert_allclose(
        rumble_weighting_db([315 / 8, 315 / 2, 630, 2520], "weighted"),
        [-36, -12, -12, -36],
        atol=1e-9,
    )
    assert weighting.RUMBLE_NETWORK_STATUS == "from memory"


def test_nothing_passes_at_0_hz():
    for curve in (
        a_weighting_db,
        weighting_468_db,
        lambda f: rumble_weighting_db(f, "unweighted"),
        lambda f: rumble_weighting_db(f, "weighted"),
    ):
        np.testing.assert_array_equal(curve([0.0]), [-np.inf])
    assert flutter_weighting(0.0) == 0.0


def test_unknown_network_is_told():
    with pytest.raises(ValueError, match="network='c'"):
        rumble_weighting_db(100.0, "c")
