"""Checks against IEC 60098 and published tables."""

import numpy as np
import pytest

from grooveledger.physics.equalisation import (
    BASS_CUT_S,
    BASS_LIFT_S,
    TREBLE_CUT_S,
    recorded_velocity_db,
    replay_response,
    time_constant_response,
)


def db(values):
    return 20.0 * np.log10(np.abs(values))


# Computed from the time constants of IEC 60098: Hz, dB re 1 kHz, the same with the 7950 us cut.
REPLAY = np.array(
    [
        (10, 19.743, 12.748), (16, 19.493, 15.403), (20, 19.274, 16.261), (25, 18.954, 16.804),
        (31.5, 18.478, 17.006), (40, 17.792, 16.823), (50, 16.946, 16.302), (63, 15.852, 15.436),
        (80, 14.506, 14.244), (100, 13.088, 12.920), (125, 11.563, 11.454), (160, 9.809, 9.743),
        (200, 8.219, 8.178), (300, 5.484, 5.467), (315, 5.179, 5.163), (400, 3.784, 3.775),
        (500, 2.648, 2.642), (1000, 0, 0), (1250, -0.744, -0.743), (1600, -1.643, -1.642),
        (2000, -2.589, -2.587), (2500, -3.700, -3.699), (3150, -5.038, -5.036),
        (4000, -6.605, -6.604), (5000, -8.210, -8.208), (6300, -9.980, -9.979),
        (8000, -11.894, -11.892), (10000, -13.734, -13.733), (12500, -15.609, -15.607),
        (14000, -16.570, -16.568), (15000, -17.157, -17.155), (16000, -17.708, -17.706),
        (18000, -18.716, -18.714), (20000, -19.620, -19.619), (25000, -21.542, -21.540),
        (30000, -23.117, -23.115),
    ]
)  # fmt: skip

# GOST 11157-87, amendment to table 7 (aligned with IEC 98): printed to 0.1 dB.
GOST_11157 = {20: 19.3, 25: 19.0, 31.5: 18.5, 40: 17.8, 50: 16.9, 63: 15.9, 80: 14.5, 100: 13.1}


@pytest.mark.parametrize(("equalisation", "column"), [("iec98", 1), ("iec98_rumble", 2)])
def test_replay_curve_meets_the_computed_table(equalisation, column):
    np.testing.assert_allclose(
        db(replay_response(REPLAY[:, 0], equalisation)), REPLAY[:, column], atol=6e-4
    )


def test_replay_curve_meets_the_national_standard_to_its_last_digit():
    for frequency_hz, printed_db in GOST_11157.items():
        assert round(float(db(replay_response(frequency_hz, "iec98"))), 1) == printed_db


def test_phase_of_the_replay_curve():
    # Computed from the time constants.
    phase = np.degrees(np.angle(replay_response([20, 100, 1000, 10000, 20000], "iec98")))
    np.testing.assert_allclose(phase, [-20.03, -54.81, -48.95, -80.60, -85.23], atol=0.006)


def test_gain_at_1khz_re_dc():
    # Computed from the time constants: |H(1 kHz)| / |H(0)|.
    assert -db(replay_response(0.0, "iec98")) == pytest.approx(-19.9110, abs=1e-4)


def test_curve_without_the_treble_part():
    # Bands cut without the 75 us part occur on test records; computed values re 1 kHz.
    def bass(frequency_hz):
        return db(time_constant_response(frequency_hz, (BASS_LIFT_S,), (BASS_CUT_S,)))

    def treble(frequency_hz):
        return db(time_constant_response(frequency_hz, (), (TREBLE_CUT_S,)))

    frequency_hz = np.array([20, 100, 500, 2000, 5000, 10000, 20000])
    np.testing.assert_allclose(
        bass(frequency_hz) - bass(1000),
        [18.404, 12.227, 2.011, -0.699, -0.917, -0.949, -0.957],
        atol=6e-4,
    )
    np.testing.assert_allclose(
        treble(frequency_hz) - treble(1000),
        [0.871, 0.861, 0.636, -1.890, -7.293, -12.785, -18.663],
        atol=6e-4,
    )


def test_equal_output_velocities():
    # 10 cm/s at 1 kHz is 5.509 cm/s at 315 Hz by the formula (a DIN 45544 record's leaflet prints
    # 5.42); 5 cm/s is 1.108 cm/s at 100 Hz (JIS practice: 1.1).
    for velocity, frequency_hz, expected in [(10, 315, 5.509), (5, 100, 1.108), (7, 100, 1.551)]:
        recorded = velocity * 10 ** (recorded_velocity_db(frequency_hz, "iec98") / 20)
        assert recorded == pytest.approx(expected, abs=1e-3)


def test_two_tone_replay_differences():
    # Computed: low over high tone after the replay curve.
    for low_hz, high_hz, expected_db in [
        (60, 7000, 26.916),
        (250, 8000, 18.571),
        (400, 4000, 10.389),
    ]:
        low, high = db(replay_response([low_hz, high_hz], "iec98"))
        assert low - high == pytest.approx(expected_db, abs=6e-4)


def test_recording_is_the_inverse_of_replay():
    frequency_hz = np.geomspace(20, 20000, 50)
    total = recorded_velocity_db(frequency_hz, "iec98") + db(replay_response(frequency_hz, "iec98"))
    np.testing.assert_allclose(total, 0.0, atol=1e-12)


def test_simple_laws():
    np.testing.assert_allclose(
        recorded_velocity_db([500, 1000, 2000], "constant_amplitude"),
        [-6.0206, 0, 6.0206],
        atol=1e-4,
    )
    np.testing.assert_array_equal(recorded_velocity_db([10.0, 20.0], "constant_velocity"), [0, 0])
    np.testing.assert_array_equal(replay_response([0.0, 20.0], "flat"), [1, 1])


def test_unknown_names_are_told():
    with pytest.raises(ValueError, match="equalisation='other'"):
        replay_response(1.0, "other")
    with pytest.raises(ValueError, match="recorded='other'"):
        recorded_velocity_db(1.0, "other")
