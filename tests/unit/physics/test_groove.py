"""Checks of groove geometry, tracing and tracking against published figures and closed forms."""

import numpy as np
import pytest
from scipy import optimize, special

from grooveledger.physics import groove

RPM = 100.0 / 3.0


def speed(radius_mm):
    return float(groove.groove_speed_cm_s(radius_mm, RPM))


def test_rotation():
    np.testing.assert_allclose(groove.rotation_period_s([RPM, 45.0]), [1.8, 4 / 3])


def test_groove_speed():
    # Computed, 2 pi r n / 60; radii of IEC 60098 editions.
    radii_mm = np.array([57.5, 60, 60.325, 66, 70, 100, 120.9, 146, 146.05, 146.3])
    np.testing.assert_allclose(
        groove.groove_speed_cm_s(radii_mm, RPM),
        [20.071, 20.944, 21.057, 23.038, 24.435, 34.907, 42.202, 50.964, 50.981, 51.068],
        atol=6e-4,
    )
    np.testing.assert_allclose(
        groove.groove_speed_cm_s([60, 100, 146.05], 45.0), [28.274, 47.124, 68.824], atol=6e-4
    )


def test_wavelength():
    # Computed, V / f.
    np.testing.assert_allclose(
        groove.wavelength_um([1000, 3150, 10000, 20000], speed(60)),
        [209.44, 66.49, 20.94, 10.47],
        atol=6e-3,
    )


def test_motion():
    # Computed, a = v / (2 pi f) and 2 pi f v.
    f, v = np.array([1000, 10000, 20000, 100]), np.array([5, 5, 2, 1.55])
    np.testing.assert_allclose(
        groove.displacement_um(f, v), [7.958, 0.7958, 0.1592, 24.67], rtol=3e-4
    )


def test_tracking_ability_amplitudes():
    # A test record's page prints 9.4 and 13.2 cm/s for 50 and 70 um at 300 Hz; the rest computed.
    np.testing.assert_allclose(groove.velocity_cm_s(300, [50, 70]), [9.4248, 13.1947], atol=6e-5)
    np.testing.assert_allclose(
        groove.velocity_cm_s(315, [50, 80, 120]), [9.896, 15.834, 23.750], atol=6e-4
    )
    np.testing.assert_allclose(groove.displacement_um(300, groove.velocity_cm_s(300, 50.0)), 50.0)


def test_channel_and_rms():
    # Collectors' tables of national test records: 5 cm/s lateral, 3.54 peak and 2.5 rms a channel;
    # -13 dB re 5 cm/s printed as 1.12 lateral and 0.8 a channel.
    channel = groove.channel_velocity_cm_s(5.0, "lateral")
    assert channel == pytest.approx(3.5355, abs=1e-4)
    assert groove.rms_velocity_cm_s(channel, "peak") == pytest.approx(2.5)
    assert groove.rms_velocity_cm_s(2.5, "rms") == 2.5
    assert groove.channel_velocity_cm_s(3.5, "left") == 3.5
    lower = 5.0 * 10 ** (-13 / 20)
    assert lower == pytest.approx(1.1194, abs=1e-4)
    assert groove.channel_velocity_cm_s(lower, "vertical") == pytest.approx(0.7915, abs=1e-4)


def test_unknown_words_are_told():
    with pytest.raises(ValueError, match="measure='mean'"):
        groove.rms_velocity_cm_s(1.0, "mean")
    with pytest.raises(ValueError, match="modulation='up'"):
        groove.channel_velocity_cm_s(1.0, "up")


# f, v (cm/s), r (mm), q (um); R (um), H2 series, H2 ball, H3 series, H3 ball, lateral H3 series,
# lateral H3 ball, pinch (%): our derivation, checked with a rolling-ball simulation written apart.
TRACING = [
    (1000, 5, 60, 15, 139.63, 5.3715, 5.2847, 0.4328, 0.4131, 0.2164, 0.2113, 3.767),
    (1000, 5, 100, 15, 387.85, 1.9337, 1.9233, 0.0561, 0.0552, 0.0280, 0.0278, 1.364),
    (1000, 5, 146, 15, 826.74, 0.9072, 0.9049, 0.0123, 0.0123, 0.0062, 0.0061, 0.641),
    (1000, 3.54, 60, 15, 197.21, 3.8030, 3.7718, 0.2169, 0.2119, 0.1085, 0.1072, 2.678),
    (1000, 5, 60, 8, 139.63, 2.8648, 2.8232, 0.1231, 0.1179, 0.0616, 0.0602, 2.011),
    (3000, 5, 60, 18, 46.54, 19.337, 18.505, 5.609, 5.050, 2.805, 2.659, 13.371),
    (10000, 1, 60, 15, 69.81, 10.743, 10.634, 1.731, 1.694, 0.866, 0.856, 7.558),
    (300, 5, 60, 15, 465.42, 1.6114, 1.5887, 0.0390, 0.0373, 0.0195, 0.0191, 1.131),
]


@pytest.mark.parametrize("row", TRACING)
def test_tracing_of_a_sphere(row):
    f, v, r, q, curvature, h2, h2_ball, h3, h3_ball, lateral, lateral_ball, pinch = row
    v_speed = speed(r)
    assert groove.curvature_radius_um(f, v, v_speed) == pytest.approx(curvature, abs=6e-3)
    # The series' first terms: B, the tip's radius over twice the bend's, and 1.5 B^2.
    bend = q / (2.0 * groove.curvature_radius_um(f, v, v_speed))
    np.testing.assert_allclose([100 * bend, 150 * bend**2], [h2, h3], rtol=2e-4, atol=6e-5)
    ball = np.abs(groove.rolling_ball_harmonics(f, v, v_speed, q, (2, 3))) * 100
    np.testing.assert_allclose(ball, [h2_ball, h3_ball], rtol=2e-4, atol=6e-5)
    wall = v / np.sqrt(2)
    assert 0.5 * 150 * bend**2 == pytest.approx(lateral, rel=6e-4, abs=6e-5)
    two_walls = np.abs(groove.rolling_ball_harmonics(f, wall, v_speed, q, (2, 3))) * 100
    assert two_walls[0] == pytest.approx(pinch, rel=2e-4, abs=6e-4)
    assert two_walls[1] == pytest.approx(lateral_ball, rel=6e-4, abs=6e-5)


@pytest.mark.parametrize(("slope", "thd_pct"), [(0.2, 9.93), (0.64, 9.17)])
def test_tracing_stays_below_10_percent_for_gentle_bends(slope, thd_pct):
    # DiToro 1937 (abstract): rms harmonics below 10 % while the curvature is over 5 tip radii.
    v_speed, f = 20.0, 1000.0
    v = slope * v_speed
    q = float(groove.curvature_radius_um(f, v, v_speed)) / 5.0
    ball = groove.rolling_ball_harmonics(f, v, v_speed, q, tuple(range(2, 12)))
    thd = 100 * float(np.sqrt(np.sum(np.abs(ball) ** 2)))
    assert thd < 10.0
    assert thd == pytest.approx(thd_pct, abs=0.05)


def test_a_ball_too_large_for_the_groove_is_told():
    with pytest.raises(ValueError, match="tip_radius_um=200"):
        groove.rolling_ball_harmonics(1000.0, 5.0, speed(60), 200.0)


def test_tracking_angle_spectrum():
    # Computed from Baerwald's two-body series; a re-sampling simulation agrees.
    np.testing.assert_allclose(
        100 * groove.tracking_angle_harmonics([0.0208857, 0.1], (2, 3, 4)),
        [[2.08838, 0.04906, 0.00121], [9.97918, 1.12009, 0.13244]],
        atol=6e-6,
    )


@pytest.mark.parametrize(
    ("velocity", "radius_mm", "error_deg", "percent"),
    [
        (5, 60, 5, 2.0886), (5, 100, 5, 1.2532), (5, 146, 5, 0.8583),
        (10, 60, 1, 0.8334), (10, 60, 2, 1.6673),
    ],
)  # fmt: skip
def test_tracking_angle_parameter(velocity, radius_mm, error_deg, percent):
    # Baerwald 1941, eq. (1), computed.
    parameter = groove.tracking_angle_parameter(velocity, speed(radius_mm), error_deg)
    assert 100 * parameter == pytest.approx(percent, abs=6e-5)


def test_arm_alignment_and_its_errors():
    # Lofgren 1938, Baerwald 1941: null radii of 65.998 and 120.891 mm on an arm of 250 mm ask for
    # an offset of 21.949 degrees and an overhang of 16.502 mm.
    arm = 250.0, 16.502, 21.949
    nulls_deg = groove.tracking_error_deg([65.998, 120.891], *arm)
    np.testing.assert_allclose(nulls_deg, 0.0, atol=1e-3)
    # Printed elsewhere for this geometry and 10 cm/s: -0.359 deg 0.256 %, -1.014 0.563 %,
    # -0.310 0.135 %, by the same formula so far as can be told.
    radii_mm = np.array([70, 90, 115, 146.05, 60.325])
    error_deg = groove.tracking_error_deg(radii_mm, *arm)
    np.testing.assert_allclose(error_deg, [-0.3590, -1.0143, -0.3098, 1.7143, 0.7055], atol=1e-3)
    parameter = groove.tracking_angle_parameter(
        10.0, groove.groove_speed_cm_s(radii_mm, RPM), error_deg
    )
    np.testing.assert_allclose(100 * parameter, [0.2564, 0.5635, 0.1347, 0.5871, 0.5847], atol=1e-3)


def test_scanning_loss():
    # 2 J1(x)/x; at a radius of 60 mm 10 and 20 kHz, computed with scipy.special.
    waves_um = groove.wavelength_um([10_000.0, 20_000.0], groove.groove_speed_cm_s(60.0, RPM))
    argument = 2.0 * np.pi * 3.0 / waves_um
    expected_db = 20.0 * np.log10(2.0 * special.j1(argument) / argument)
    np.testing.assert_allclose(groove.scanning_loss_db(3.0, waves_um), expected_db, atol=1e-9)
    np.testing.assert_allclose(expected_db, [-0.89, -3.79], atol=0.006)
    assert groove.scanning_loss_db(0.0, 20.0) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("radius_um", "wave_um"), [(3.0, 40.0), (3.0, 20.0), (5.0, 20.0)])
def test_a_ball_on_a_wavy_bed_of_springs_follows_the_mean_over_its_contact(radius_um, wave_um):
    """Independent: the ball is set at 24 places so that the springs bear a constant force."""
    tip_um, depth_um = 18.0, 0.01
    along, across = np.meshgrid(*2 * [np.linspace(-1.3 * radius_um, 1.3 * radius_um, 81)])
    ball_um = (along**2 + across**2) / (2.0 * tip_um)
    turn = 2.0 * np.pi / wave_um

    def force(height_um, place_um):
        surface_um = depth_um * np.cos(turn * (along + place_um))
        return np.maximum(surface_um - ball_um - height_um, 0.0).sum()

    sunk_um = radius_um**2 / (2.0 * tip_um)
    bears = np.maximum(sunk_um - ball_um, 0.0).sum()
    places_um = wave_um * np.arange(24) / 24
    heights_um = [
        optimize.brentq(lambda height, at=at: force(height, at) - bears, -sunk_um - 1.0, 1.0)
        for at in places_um
    ]
    followed = 2.0 * np.mean(heights_um * np.cos(turn * places_um)) / depth_um
    expected_db = groove.scanning_loss_db(radius_um, wave_um)
    assert 20.0 * np.log10(followed) == pytest.approx(expected_db, abs=0.01)


def test_a_small_contact_loses_by_its_spread_whatever_its_shape():
    """A flat of length d and a round contact of radius d / sqrt(3) are spread alike."""
    wavelength = np.array([40.0, 80.0])
    flat_db = 20.0 * np.log10(np.sinc(6.0 / wavelength))
    round_db = groove.scanning_loss_db(6.0 / np.sqrt(3.0), wavelength)
    np.testing.assert_allclose(round_db, flat_db, rtol=0.01)
