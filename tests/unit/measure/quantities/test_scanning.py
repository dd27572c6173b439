"""Inner against outer groove: a closed form, and simulated captures of worn tips.

The simulator averages the groove over a flat (a uniform strip); the measure fits a round contact.
A flat of length d is spread as a round contact of radius d / sqrt(3).
"""

from dataclasses import replace

import numpy as np
import pytest

import made_figures
from grooveledger.measure.metric_rows import Measured
from grooveledger.measure.quantities import scanning
from grooveledger.observe.orders import observe_orders
from grooveledger.physics.groove import groove_speed_cm_s, wavelength_um
from grooveledger.simulate import StylusTruth, simulate_capture
from grooveledger.simulate.conditions import REALISTIC
from grooveledger.storage import tables
from made_observations import CARTRIDGE, CHAIN, joined, make_context, make_side, orders_of
from made_sound import tracks_at, written

RATE = 48_000
RPM = 100.0 / 3.0
RADII_MM = (140.0, 64.0)
SWEEP = {
    "kind": "sweep",
    "modulation": "left",
    "start_hz": 500.0,
    "stop_hz": 20_000.0,
    "velocity_cm_s": 2.0,
    "duration_s": 15.0,
}
TONE = {
    "kind": "tone",
    "modulation": "lateral",
    "frequency_hz": 10_000.0,
    "velocity_cm_s": 3.0,
    "duration_s": 4.0,
}
ORDERS = {
    "order_max": 3,
    "points_per_octave": 24,
    "window_cycles": 8,
    "window_shortest_s": 0.03,
    "spectrum_top_hz": 20_000,
}


def rows_of(tmp_path, flat_um, track=SWEEP, radii_mm=RADII_MM, seed=1, tolerance_db=0.0):
    """Rows of a simulated capture of one track at two radii."""
    played = [{**track, "radius_mm": radius} for radius in radii_mm]
    side = make_side(*played, gap_s=2.0, response_tolerance_db=tolerance_db)
    chain = replace(CHAIN, gain_db=40.0)
    stylus = StylusTruth(flat_um=flat_um)
    samples, truth = simulate_capture(side, stylus, chain, REALISTIC, RATE, seed)
    path = written(tmp_path, samples, RATE, "PCM_24")
    tracks = tracks_at(*((one.start_s, one.stop_s) for one in truth.tracks))
    orders = tables.columns(observe_orders(path, tracks, side, ORDERS, "c1")[0])
    return tables.columns(scanning.measure(make_context(side, {"orders": orders}, {}, chain)))


def waves_um(hz, radius_mm):
    return wavelength_um(np.asarray(hz), groove_speed_cm_s(radius_mm, RPM))


@pytest.mark.parametrize("flat_um", [5.0, 6.5, 8.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_contact_of_a_worn_tip_within_fifteen_per_cent(tmp_path, flat_um, seed):
    rows = rows_of(tmp_path, flat_um, seed=seed)
    assert rows["loss_db"].max() > 1.0
    assert not rows["contact_limited"].any()
    assert rows["contact_radius_um"][0] == pytest.approx(flat_um / np.sqrt(3.0), rel=0.15)
    # What the groove's wave loses between the radii, from the middle of the lowest band on.
    hz = rows["frequency_hz"]
    lost = [20.0 * np.log10(np.sinc(flat_um / waves_um(hz, radius))) for radius in RADII_MM]
    truth_db = lost[0] - lost[1]
    below = waves_um(hz, RADII_MM[1]) > 2.0 * flat_um
    assert rows["loss_db"][below] == pytest.approx((truth_db - truth_db[0])[below], abs=0.2)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_tip_that_loses_nothing_has_a_bound(tmp_path, seed):
    rows = rows_of(tmp_path, 0.0, seed=seed)
    assert rows["contact_limited"].all()
    assert rows["contact_radius_um"][0] < 1.5
    assert np.isnan(rows["contact_noise_um"]).all()
    assert np.abs(rows["loss_db"]).max() < 0.15


def test_tones_are_held_together_as_they_are_described(tmp_path):
    rows = rows_of(tmp_path, 6.0, TONE)
    assert rows["channel"].tolist() == ["left", "right"]
    assert np.isnan(rows["level_from_hz"]).all()
    assert rows["contact_radius_um"] == pytest.approx([6.0 / np.sqrt(3.0)] * 2, rel=0.15)
    assert rows["thd_rise_pct"] == pytest.approx([0.0, 0.0], abs=0.5)


def test_two_cuts_that_may_differ_make_small_losses_a_bound(tmp_path):
    sure = rows_of(tmp_path, 3.0, TONE)
    unsure = rows_of(tmp_path, 3.0, TONE, tolerance_db=1.0)
    assert not sure["contact_limited"].any()
    assert unsure["contact_limited"].all()
    # 1 dB as half the width of a rectangle, in either cut.
    assert unsure["loss_record_db"] == pytest.approx(np.sqrt(2.0 / 3.0), abs=1e-6)
    assert (unsure["contact_radius_um"] > sure["contact_radius_um"]).all()


def test_radii_too_near_and_other_tones_give_nothing():
    def chosen(*tracks):
        side = make_side(*tracks, gap_s=2.0)
        return [(outer.track, inner.track) for outer, inner in scanning.pairs(side)]

    outer, inner = ({**TONE, "radius_mm": radius} for radius in RADII_MM)
    assert chosen(outer, inner) == [(1, 2)]
    assert chosen(inner, outer) == [(2, 1)]
    assert chosen(outer, {**inner, "radius_mm": 140.0 / 1.16}) == [(1, 2)]
    assert chosen(outer, {**inner, "radius_mm": 140.0 / 1.14}) == []
    assert chosen(outer, {**inner, "frequency_hz": 8000.0}) == []
    assert chosen(outer, {**inner, "modulation": "left"}) == []
    assert chosen(outer, {key: inner[key] for key in inner if key != "radius_mm"}) == []
    # The outermost of two partners.
    assert chosen(outer, {**TONE, "radius_mm": 100.0}, inner) == [(1, 2), (1, 3)]


HZ = 500.0 * 2.0 ** ((np.arange(129) + 0.5) / 24.0)


def test_a_band_begins_where_the_first_reading_of_either_sweep_is():
    """The band of 630 Hz begins at 561 Hz, that of 794 Hz at 707 Hz."""
    for first_hz, lowest_hz in ((558.0, 630.0), (565.0, 793.7)):
        hz = first_hz * 2.0 ** (np.arange(120) / 24.0)
        for both in ((HZ, hz), (hz, HZ)):
            rows = made((0.1, 1e-3), (0.1, 1e-3), nominal_hz=both)
            assert rows["frequency_hz"][0] == pytest.approx(lowest_hz, rel=1e-3)


def made(outer, inner, track=SWEEP, nominal_hz=HZ, floor_fs=1e-9, tolerance_db=0.0):
    """Rows of two tracks whose fundamentals and second harmonics are given, by full scale."""
    played = [{**track, "radius_mm": radius} for radius in RADII_MM]
    side = make_side(*played, response_tolerance_db=tolerance_db)
    chain = replace(CHAIN, equalisation="flat")
    parts = [
        orders_of(
            number,
            nominal_hz[number - 1] if isinstance(nominal_hz, tuple) else nominal_hz,
            {1: (first, first), 2: (second, second)},
            floor_fs=floor_fs,
        )
        for number, (first, second) in ((1, outer), (2, inner))
    ]
    return tables.columns(
        scanning.measure(make_context(side, {"orders": joined(*parts)}, {}, chain))
    )


def test_sweeps_are_compared_over_the_thirds_of_an_octave_that_both_cover():
    """From 507 to 20,450 Hz: the bands of 630 Hz (561 to 707) to 16 kHz (14.3 to 18 kHz)."""
    slope = (HZ / 500.0) ** -0.1
    rows = made((0.1, 1e-3), (0.1 * slope, 1e-3))
    centres = 1000.0 * 2.0 ** (np.arange(-2, 13) / 3.0)
    np.testing.assert_allclose(rows["frequency_hz"], centres)
    # A power of the frequency has its value at the middle of a band on log frequency.
    expected = 2.0 * np.log10(centres / centres[0])
    np.testing.assert_allclose(rows["loss_db"], expected, atol=1e-3)
    assert (rows["level_from_hz"] == centres[0]).all()
    assert (rows["inner_radius_mm"][0], rows["outer_radius_mm"][0]) == (64.0, 140.0)
    assert (rows["track"][0], rows["outer_track"][0]) == (2, 1)


def test_noise_of_the_mean_of_a_band_and_of_the_band_that_it_refers_to():
    """A reading's is 20 / ln 10 n / (s sqrt 2) dB, of eight readings the eighth of its square.

    Loss is of two tracks, and from the lowest band on: four such means.
    """
    n = 1e-4
    rows = made((0.1, 1e-3), (0.05, 1e-3), floor_fs=n)
    reading = 20.0 / np.log(10.0) * n / np.sqrt(2.0) / np.sqrt(8.0)
    means = np.hypot(reading / 0.1, reading / 0.05)
    np.testing.assert_allclose(rows["loss_noise_db"][1:], np.sqrt(2.0) * means, rtol=1e-4)
    assert rows["loss_noise_db"][0] == 0.0


def test_two_cuts_of_one_tolerance_are_apart_but_where_the_level_is_taken_from():
    rows = made((0.1, 1e-3), (0.1, 1e-3), tolerance_db=1.0)
    assert rows["loss_record_db"][0] == 0.0
    np.testing.assert_allclose(rows["loss_record_db"][1:], np.sqrt(2.0 / 3.0))


def test_a_reading_that_does_not_stand_clear_makes_its_band_a_bound():
    inner = np.full(len(HZ), 0.1)
    inner[(HZ > 950.0) & (HZ < 970.0)] = 1e-4
    rows = made((0.1, 1e-3), (inner, 1e-3), floor_fs=1e-4)
    near = np.abs(rows["frequency_hz"] / 1000.0 - 1.0) < 0.01
    np.testing.assert_array_equal(rows["limited"][near], True)
    assert np.isnan(rows["loss_db"][near]).all()
    assert not rows["limited"][rows["frequency_hz"] > 2500.0].any()


def test_the_rise_of_distortion_is_of_the_inner_over_the_outer_track():
    """1 and 3 per cent of second harmonic."""
    rows = made((0.1, 1e-3), (0.1, 3e-3))
    np.testing.assert_allclose(rows["outer_thd_pct"], 1.0, rtol=1e-6)
    np.testing.assert_allclose(rows["inner_thd_pct"], 3.0, rtol=1e-6)
    np.testing.assert_allclose(rows["thd_rise_pct"], 2.0, rtol=1e-6)
    hidden = made((0.1, 1e-3), (0.1, 1e-5), floor_fs=1e-4)
    assert np.isnan(hidden["thd_rise_pct"]).all()


STEPS = {
    "kind": "tone_steps",
    "modulation": "left",
    "frequencies_hz": [1000.0, 2000.0, 4000.0],
    "step_s": 5.0,
    "velocity_cm_s": 2.0,
}


@pytest.mark.parametrize(("off", "count"), [(1.009, 3), (1.011, 2), (0.991, 3), (0.989, 2)])
def test_tones_within_a_per_cent_are_the_same(off, count):
    hz = np.array([1000.0, 2000.0, 4000.0])
    rows = made((0.1, 1e-3), (0.1, 1e-3), STEPS, (hz, hz * [1.0, off, 1.0]))
    assert len(rows["loss_db"]) == count


@pytest.mark.parametrize(("top_hz", "is_referred"), [(3990.0, False), (4010.0, True)])
def test_levels_are_held_together_below_where_the_span_is_fourfold(top_hz, is_referred):
    hz = np.array([1000.0, 2000.0, top_hz])
    rows = made((0.1, 1e-3), (0.05, 1e-3), STEPS, hz)
    assert np.isfinite(rows["level_from_hz"]).all() == is_referred
    expected = 0.0 if is_referred else 20.0 * np.log10(2.0)
    np.testing.assert_allclose(rows["loss_db"], expected, atol=1e-6)


def test_figures_at_10_khz_and_their_parts():
    """Distortion of 3 and 4 % goes with the levels of two cuts, each within 1 dB."""
    hz = np.array([1000.0, 5000.0, 10_000.0])
    facts = {"track": [2] * 3, "channel": "left", "frequency_hz": hz, "limited": False}
    rows = made_figures.rows_of(
        "scanning",
        **facts,
        loss_db=[0.0, 0.5, 2.0],
        loss_noise_db=0.1,
        loss_record_db=np.sqrt(2.0) / np.sqrt(3.0),
        thd_rise_pct=1.0,
        thd_rise_noise_pct=0.2,
        outer_thd_pct=3.0,
        inner_thd_pct=4.0,
        contact_radius_um=3.0,
        contact_noise_um=0.2,
        contact_record_um=0.3,
        contact_limited=False,
    )
    side = make_side({**SWEEP, "radius_mm": 140.0}, {**SWEEP, "radius_mm": 64.0})
    measured = Measured({"scanning": rows}, side, CARTRIDGE, CHAIN)
    found = {figure.metric: figure for figure in scanning.figures(measured)}
    loss, rise, contact = (
        found[name]
        for name in ("inner_loss_10khz_db", "inner_thd_rise_10khz_pct", "contact_radius_um")
    )
    assert (loss.value, rise.value, contact.value) == (2.0, 1.0, 3.0)
    assert (loss.noise, rise.noise, contact.noise) == pytest.approx((0.1, 0.2, 0.2))
    assert loss.parts["record"] == pytest.approx(np.sqrt(2.0 / 3.0))
    assert rise.parts["record"] == pytest.approx(5.0 * np.log(10.0) / 20.0 / np.sqrt(3.0))
    assert contact.parts == {"record": 0.3}


def test_noise_of_the_rise_of_distortion_is_that_of_two_bands_means():
    """Of a reading 1 / sqrt 2 of noise to fundamental, of eight the root of an eighth."""
    n = 1e-6
    rows = made((0.1, 1e-3), (0.05, 1e-3), floor_fs=n)
    reading = 100.0 * n / np.sqrt(2.0) / np.sqrt(8.0)
    rise = np.hypot(reading / 0.1, reading / 0.05)
    np.testing.assert_allclose(rows["thd_rise_noise_pct"], rise, rtol=1e-3)
