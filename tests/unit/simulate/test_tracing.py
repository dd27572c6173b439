"""Traced grooves against balls and slanted styli worked out on the profile itself."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.physics.groove import (
    rolling_ball_harmonics,
    tracking_angle_harmonics,
    tracking_angle_parameter,
)
from grooveledger.simulate.stylus import StylusTruth
from grooveledger.simulate.tracing import RISE, Contact, traced

N = 4096


def played(contact, *tones):
    """Velocities read over one period of 100 Hz of tones (hz, left cm/s, right cm/s)."""
    time_s = np.arange(N) / N / 100.0
    rotors = [np.exp(2j * np.pi * hz * time_s) for hz, *_ in tones]
    velocity = np.array([[[v] * N for v in walls] for _, *walls in tones], float)
    hz = np.array([[hz] * N for hz, *_ in tones], float)
    return traced(rotors, velocity, hz, contact)


def harmonics(wave, cycles):
    spectrum = np.fft.rfft(wave) / len(wave)
    return spectrum[2 * cycles :: cycles][:3] / spectrum[cycles]


def ball_on_profile(profile_um, step_um, radius_um):
    """Heights of a ball's centre over a periodic profile: the highest that any point forces."""
    # Slopes stay below 0.4: contact lies within half a radius.
    centre = profile_um.copy()
    for offset in range(1, int(0.5 * radius_um / step_um)):
        cap = np.sqrt(radius_um**2 - (offset * step_um) ** 2) - radius_um
        for way in (offset, -offset):
            np.maximum(centre, np.roll(profile_um, way) + cap, out=centre)
    return centre


@pytest.mark.parametrize(
    ("hz", "velocity", "speed", "radius_um"),
    [(1000, 5.0, 20.94, 15.0), (3000, 3.5, 20.94, 8.0), (10_000, 1.0, 30.0, 15.0)],
)
@pytest.mark.parametrize("polarity", [1, -1])
def test_a_ball_on_the_profile_itself_reads_the_same(hz, velocity, speed, radius_um, polarity):
    # Independent: the centre's height is the envelope of balls set on every point of the profile.
    points = 1 << 13
    wavelength_um = speed / hz * 1e4
    step_um = wavelength_um / points
    phase = 2 * np.pi * np.arange(points) / points
    amplitude_um = velocity / (2 * np.pi * hz) * 1e4
    for wall in (0, 1):
        rise = polarity * RISE[wall]
        centre = rise * ball_on_profile(rise * amplitude_um * np.sin(phase), step_um, radius_um)
        expected = np.fft.rfft(centre)[2:4] * np.array([2, 3]) / np.fft.rfft(centre)[1]
        contact = Contact(radius_um, 0.0, 0.0, polarity, speed)
        walls = [velocity if w == wall else 0.0 for w in (0, 1)]
        heard = played(contact, (hz, *walls))[wall]
        found = harmonics(heard, hz // 100)[:2]
        np.testing.assert_allclose(found, expected, rtol=0.02, atol=2e-5)


def test_tracing_is_the_closed_form_of_a_rolling_ball():
    expected = rolling_ball_harmonics(3000.0, 5.0, 20.94, 18.0)
    found = harmonics(played(Contact(18.0, 0.0, 0.0, 1, 20.94), (3000.0, 5.0, 0.0))[0], 30)
    np.testing.assert_allclose(np.abs(found), np.abs(expected[:3]), rtol=1e-4)


@pytest.mark.parametrize("slopes", [(0.2, 0.0), (0.0, 0.05)])
def test_an_angle_makes_the_harmonics_of_the_two_body_series(slopes):
    # Baerwald 1941: J_n(n e) / J_1(e), e = (v / V) tan(error), v along the axis.
    axis = (1.0, -1.0) if slopes[0] else (1.0, 1.0)
    v = 5.0 / np.sqrt(2.0)
    heard = played(Contact(0.0, *slopes, 1, 25.0), (1000.0, axis[0] * v, axis[1] * v))
    error_deg = np.degrees(np.arctan(max(slopes)))
    expected = tracking_angle_harmonics(tracking_angle_parameter(5.0, 25.0, error_deg))
    for wall in heard:
        np.testing.assert_allclose(np.abs(harmonics(wall, 10)), expected[:3], rtol=1e-5)


def test_a_stylus_on_a_slant_is_where_the_groove_that_was_cut_on_another_takes_it():
    # Independent: the groove as a curve in the plane. Cut: at t the cutter is at V t - y tan(c).
    # Played: the tip is at V t - y tan(p), on that curve; solved by interpolation.
    speed, cut, play = 25.0, np.tan(np.radians(15.0)), np.tan(np.radians(25.0))
    hz, v = 1000.0, 5.0
    time_s = np.linspace(-0.001, 0.011, 240_001)
    height_cm = v / (2 * np.pi * hz) * np.sin(2 * np.pi * hz * time_s)
    place_cm = speed * time_s - height_cm * cut
    tip_s = (place_cm + height_cm * play) / speed
    asked_s = np.arange(N) / N / 100.0
    tip_cm = np.interp(asked_s, tip_s, height_cm)
    expected = np.fft.rfft(tip_cm)[10:50:10]
    heard = played(
        Contact(0.0, float(play - cut), 0.0, 1, speed),
        (hz, v / np.sqrt(2.0), -v / np.sqrt(2.0)),
    )
    vertical = np.sqrt(0.5) * (heard[0] - heard[1])
    velocity = np.fft.rfft(vertical)[10:50:10]
    turn = 2j * np.pi * hz * np.arange(1, 5)
    np.testing.assert_allclose(velocity[:3], (turn * expected)[:3], rtol=2e-3, atol=1e-3 * N)


def test_nothing_is_traced_where_nothing_is_asked_for():
    assert Contact.of(StylusTruth(), 20.0, 30.0).is_ideal
    assert Contact.of(replace(StylusTruth(), vertical_angle_deg=20.0), 20.0, 30.0).is_ideal
    assert Contact.of(replace(StylusTruth(), vertical_angle_deg=25.0), None, 30.0).is_ideal
    assert not Contact.of(replace(StylusTruth(), vertical_angle_deg=25.0), 20.0, 30.0).is_ideal
