"""The radius of a contact from what the inner groove loses, in closed form."""

import numpy as np
import pytest

from grooveledger.measure.contact_radius import contact_radius
from grooveledger.physics.groove import groove_speed_cm_s, scanning_loss_db, wavelength_um

RPM = 100.0 / 3.0
RADII_MM = (140.0, 64.0)
SPEEDS_CM_S = [float(groove_speed_cm_s(radius, RPM)) for radius in RADII_MM]


def waves_um(hz, radius_mm):
    return wavelength_um(np.asarray(hz), groove_speed_cm_s(radius_mm, RPM))


@pytest.mark.parametrize("is_referred", [True, False])
@pytest.mark.parametrize("radius_um", [1.5, 3.0, 5.0])
def test_exact_losses_give_the_radius(is_referred, radius_um):
    hz = np.array([1000.0, 2000.0, 4000.0, 8000.0, 12_000.0])
    losses = [scanning_loss_db(radius_um, waves_um(hz, radius)) for radius in RADII_MM]
    loss = losses[0] - losses[1]
    loss = loss - loss[0] if is_referred else loss
    noise = np.full(5, 0.03)
    found = contact_radius(hz, loss, noise, 0.0 * noise, *SPEEDS_CM_S, is_referred)
    assert not found.limited
    assert found.radius_um == pytest.approx(radius_um, abs=0.011)


def test_the_stated_noise_is_the_scatter_of_repeats():
    rng = np.random.default_rng(5)
    hz = np.array([1000.0, 4000.0, 8000.0, 12_000.0])
    losses = [scanning_loss_db(3.0, waves_um(hz, radius)) for radius in RADII_MM]
    loss = losses[0] - losses[1]
    noise = np.full(4, 0.05)
    found = [
        contact_radius(
            hz, loss + noise * rng.standard_normal(4), noise, 0.0 * noise, *SPEEDS_CM_S, False
        )
        for _ in range(400)
    ]
    scatter = np.std([one.radius_um for one in found])
    assert found[0].noise_um == pytest.approx(scatter, rel=0.2)


def test_a_radius_is_a_bound_within_three_standard_uncertainties_of_none():
    """One tone: the square of the radius is as sure as the loss that is proportional to it."""
    hz = np.array([10_000.0])
    loss = sum(
        sign * scanning_loss_db(2.0, waves_um(hz, radius))
        for sign, radius in zip((1.0, -1.0), RADII_MM, strict=True)
    )
    for times, limited in ((2.8, True), (3.2, False)):
        noise = loss / times
        found = contact_radius(hz, loss, noise, 0.0 * noise, *SPEEDS_CM_S, False)
        assert found.limited == limited
        if limited:
            # 1.645 standard uncertainties beyond the square, one-sided (JCGM 100).
            assert found.radius_um == pytest.approx(2.0 * np.sqrt(1.0 + 1.645 / times), rel=0.02)
        else:
            assert found.noise_um == pytest.approx(2.0 / (2.0 * times), rel=0.03)
        record = contact_radius(hz, loss, 0.0 * noise + 1e-3, noise, *SPEEDS_CM_S, False)
        assert record.limited == limited


def lost_db(hz, radius_um):
    outer, inner = (scanning_loss_db(radius_um, waves_um(hz, radius)) for radius in RADII_MM)
    return outer - inner


def test_nothing_to_fit_is_a_bound_without_a_value():
    none = np.zeros(0)
    found = contact_radius(none, none, none, none, *SPEEDS_CM_S, False)
    assert found.limited
    assert np.isnan(found[:3]).all()


def test_levels_repeat_no_better_than_a_fiftieth_of_a_decibel():
    """Whatever their noise: with less of it a radius is no surer, nor is one reading's weight."""
    hz = np.array([2000.0, 5000.0, 10_000.0])
    loss = lost_db(hz, 3.0)
    none = np.zeros(3)
    found = [
        contact_radius(hz, loss, none + noise, none, *SPEEDS_CM_S, False)
        for noise in (0.0, 0.02, 0.04)
    ]
    assert found[0] == found[1]
    assert found[2].noise_um == pytest.approx(2.0 * found[1].noise_um)


def test_the_cuts_departures_count_as_one_for_all_frequencies():
    """Noise shrinks with the number of like readings, a lathe's treble does not."""
    counts = (1, 9)
    found = []
    for count in counts:
        hz = np.full(count, 10_000.0)
        some = np.full(count, 0.05)
        found.append(contact_radius(hz, lost_db(hz, 3.0), some, some, *SPEEDS_CM_S, False))
    assert found[0].noise_um == pytest.approx(3.0 * found[1].noise_um)
    assert found[0].record_um == pytest.approx(found[1].record_um)
    assert found[0].record_um == pytest.approx(found[0].noise_um)


def test_the_reading_that_others_are_referred_to_has_no_weight():
    hz = np.array([1000.0, 8000.0, 12_000.0])
    loss = lost_db(hz, 3.0)
    noise = np.full(3, 0.05)
    first, second = (
        contact_radius(hz, loss - loss[0], noise * [own, 1.0, 1.0], 0.0 * hz, *SPEEDS_CM_S, True)
        for own in (1.0, 100.0)
    )
    assert first == second


def test_a_loss_that_no_contact_explains_is_a_bound_at_half_a_wavelength():
    hz = np.array([10_000.0])
    loss = np.array([60.0])
    found = contact_radius(hz, loss, 0.0 * hz, 0.0 * hz, *SPEEDS_CM_S, False)
    assert found.limited
    assert found.radius_um == pytest.approx(0.5 * float(waves_um(hz, 64.0)[0]), abs=0.02)


def test_no_radius_beyond_fifteen_micrometres_is_tried():
    hz = np.array([5000.0])
    found = contact_radius(hz, np.array([60.0]), 0.0 * hz, 0.0 * hz, *SPEEDS_CM_S, False)
    assert found.limited
    assert found.radius_um == pytest.approx(15.0, abs=0.1)
