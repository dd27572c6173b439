"""Channel separation, in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.quantities.separation import measure
from grooveledger.physics.noise_floor import NOISE_95
from grooveledger.storage import tables
from made_figures import figures, only
from made_observations import CHAIN, joined, make_context, make_side, orders_of, swapped_chain

HZ = np.geomspace(100.0, 20_000.0, 30)


def tone(modulation="left", **facts):
    return {"kind": "tone", "modulation": modulation, "frequency_hz": 1000.0, "duration_s": 5.0,
            **facts}  # fmt: skip


def measured(track, hz, left, right, *, chain=CHAIN, played_hz=None, floor_fs=1e-9):
    orders = orders_of(1, hz, {1: (left, right)}, played_hz=played_hz, floor_fs=floor_fs)
    context = make_context(make_side(track), {"orders": orders}, chain=chain)
    return tables.columns(measure(context))


@pytest.mark.parametrize(("modulation", "sign"), [("left", 1.0), ("right", -1.0)])
def test_driven_over_undriven(modulation, sign):
    """A tenth is 20 dB; negative where the undriven channel is the louder."""
    rows = measured(tone(modulation), 1000.0, 0.1, 0.01j)
    assert list(rows["channel"]) == [modulation]
    assert rows["separation_db"][0] == pytest.approx(sign * 20.0)
    assert rows["crosstalk_phase_deg"][0] == pytest.approx(sign * 90.0)


def test_no_correction_for_balance():
    """A right channel of half the sensitivity: its crosstalk too is 6 dB lower."""
    once = measured(tone(), 1000.0, 0.1, 0.01)["separation_db"]
    half = measured(tone(), 1000.0, 0.1, 0.005)["separation_db"]
    assert half - once == pytest.approx(20.0 * np.log10(2.0))


@pytest.mark.parametrize("equalisation", ["iec98", "iec98_rumble", "flat"])
@pytest.mark.parametrize("gain_db", [0.0, 60.0])
def test_gain_curve_and_deviation_cancel(equalisation, gain_db):
    chain = replace(
        CHAIN,
        equalisation=equalisation,
        gain_db=gain_db,
        preamplifier_response=((20.0, 3.0), (20_000.0, -9.0)),
    )
    sweep = {"kind": "sweep", "modulation": "left", "start_hz": 100.0, "stop_hz": 2e4,
             "duration_s": 9}  # fmt: skip
    rows = measured(sweep, HZ, 0.1, 0.01, chain=chain)
    np.testing.assert_allclose(rows["separation_db"], 20.0, atol=1e-6)


def test_lateral_and_vertical_tracks_have_none():
    for modulation in ("lateral", "vertical"):
        assert len(measured(tone(modulation), 1000.0, 0.1, 0.01)["track"]) == 0


def test_frequency_is_played_on_a_sweep_and_nominal_on_a_tone():
    sweep = {"kind": "sweep", "modulation": "left", "start_hz": 100.0, "stop_hz": 2e4,
             "duration_s": 9}  # fmt: skip
    rows = measured(sweep, HZ, 0.1, 0.01, played_hz=1.02 * HZ)
    np.testing.assert_allclose(rows["frequency_hz"], 1.02 * HZ)
    rows = measured(tone(), 1000.0, 0.1, 0.01, played_hz=1020.0)
    assert (rows["frequency_hz"][0], rows["played_hz"][0]) == (1000.0, 1020.0)


def test_exchanged_and_inverted_channels():
    rows = measured(tone(), 1000.0, 0.01, 0.1, chain=swapped_chain())
    assert rows["separation_db"][0] == pytest.approx(20.0)
    turned = measured(tone(), 1000.0, 0.1, 0.01, chain=replace(CHAIN, invert=("right",)))
    assert turned["crosstalk_phase_deg"][0] == pytest.approx(180.0)


def test_noise_power_is_taken_off_the_crosstalk():
    rows = measured(tone(), 1000.0, 0.1, np.hypot(1e-3, 4e-5), floor_fs=4e-5)
    assert rows["separation_db"][0] == pytest.approx(40.0, abs=1e-4)
    assert rows["floor_db"][0] == pytest.approx(20.0 * np.log10(2500.0), abs=1e-4)


@pytest.mark.parametrize(("floor_fs", "is_limited"), [(5e-5, False), (6e-5, True)])
def test_separation_is_a_bound_where_noise_may_move_it_by_a_decibel(floor_fs, is_limited):
    """Three times 0.707 of 5 % of the crosstalk are 0.92 dB, of 6 % 1.1 dB."""
    rows = measured(tone(), 1000.0, 0.1, np.hypot(1e-3, floor_fs), floor_fs=floor_fs)
    assert rows["limited"][0] == is_limited
    assert (rows["separation_db"][0] < 39.9) == is_limited
    assert np.isfinite(rows["crosstalk_phase_deg"][0])


def test_crosstalk_under_the_noise_is_bounded_and_has_no_phase():
    """At least what the reading and 95 % of its noise leave."""
    rows = measured(tone(), 1000.0, 0.1, 1e-4, floor_fs=1e-4)
    assert rows["limited"][0]
    least_db = 20.0 * np.log10(0.1 / (1e-4 * (1.0 + NOISE_95)))
    assert rows["separation_db"][0] == pytest.approx(least_db, abs=1e-4)
    assert np.isnan(rows["crosstalk_phase_deg"][0])


def test_the_bound_holds_for_noise_of_any_phase():
    """Monte Carlo: crosstalk of 60 dB in noise of 50 dB; the bound is met in 95 % and more."""
    rng = np.random.default_rng(2)
    noise = (rng.normal(size=4000) + 1j * rng.normal(size=4000)) / np.sqrt(2.0) * 10.0**-3.5
    hz = np.geomspace(100.0, 20_000.0, 4000)
    sweep = {"kind": "sweep", "modulation": "left", "start_hz": 100.0, "stop_hz": 2e4,
             "duration_s": 9}  # fmt: skip
    rows = measured(sweep, hz, 0.1, 1e-4 + noise, floor_fs=10.0**-3.5)
    limited = rows["limited"]
    assert limited.mean() > 0.9
    assert (rows["separation_db"][limited] <= 60.0).mean() >= 0.95


def test_nothing_is_stated_without_a_driven_channel_or_without_noise_and_crosstalk():
    lost = measured(tone(), 1000.0, 1e-4, 1e-2, floor_fs=1e-4)
    assert lost["limited"][0]
    assert np.isnan(lost["separation_db"][0])
    silent = measured(tone(), 1000.0, 0.1, 0.0, floor_fs=0.0)
    assert silent["limited"][0]
    assert np.isnan(silent["separation_db"][0])
    assert np.isnan(silent["floor_db"][0])


def test_tones_one_a_track_and_parts_of_a_sweep_are_one_curve():
    hz = (1000.0, 5000.0, 10_000.0)
    spots = [tone(frequency_hz=one, velocity_cm_s=5.0) for one in hz]
    low_hz, high_hz = np.geomspace(100.0, 1000.0, 20), np.geomspace(1000.0, 2e4, 20)[1:]
    sweeps = [
        {"kind": "sweep", "modulation": "right", "start_hz": 100.0, "stop_hz": 1000.0},
        {"kind": "sweep", "modulation": "right", "start_hz": 1000.0, "stop_hz": 2e4,
         "continues": 4},
    ]  # fmt: skip
    side = make_side(*spots, *sweeps)
    observed = [
        *(orders_of(n, one, {1: (0.1, 0.01 * n)}) for n, one in enumerate(hz, start=1)),
        orders_of(4, low_hz, {1: (0.01, 0.1)}),
        orders_of(5, high_hz, {1: (0.01, 0.1)}),
    ]
    rows = tables.columns(measure(make_context(side, {"orders": joined(*observed)})))
    assert rows["track"].tolist() == [1.0] * 3 + [4.0] * 39
    assert rows["part"].tolist() == [1.0, 2.0, 3.0] + [4.0] * 20 + [5.0] * 19
    np.testing.assert_allclose(rows["separation_db"][:3], 20.0 - 20.0 * np.log10([1, 2, 3]))
    np.testing.assert_allclose(rows["separation_db"][3:], 20.0)
    found = figures({"separation": rows}, side)
    assert only(found, "separation_10khz_db", "left")["value"] == pytest.approx(10.4576, abs=1e-3)
    assert np.isnan(only(found, "separation_min_db", "left")["value"])
    assert only(found, "separation_min_db", "right")["value"] == pytest.approx(20.0)
