"""Components of uncertainty, held against tolerances that are drawn at random."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.budget import (
    DB_PER_NEPER,
    USUAL_SPEED_RMS,
    arm_mass_part,
    balance_parts_db,
    harmonic_parts,
    level_parts_db,
    noise_parts_db,
    record_part_db,
    sideband_part,
    speed_part_db,
    speed_rms,
)
from made_observations import CARTRIDGE, CHAIN, make_context, make_side

DRAWS = 200_000
ROOT3 = np.sqrt(3.0)
CHAIN = replace(
    CHAIN,
    response_tolerance_db=0.3,
    gain_tolerance_db=0.2,
    full_scale_tolerance_db=0.1,
    channel_match_db=0.15,
    arm_mass_tolerance_pct=20.0,
)
SIDE = make_side(response_tolerance_db=0.5)


def drawn(half_width, *shape):
    return np.random.default_rng(5).uniform(-half_width, half_width, shape)


def test_a_level_has_no_response_at_1khz_and_all_of_it_an_octave_away():
    parts = level_parts_db(SIDE, CHAIN, 1000.0)
    assert parts == pytest.approx(
        {"record": 0.5 / ROOT3, "preamplifier": 0.0, "gain": 0.2 / ROOT3, "full_scale": 0.1 / ROOT3}
    )
    assert level_parts_db(SIDE, CHAIN, 3150.0)["preamplifier"] == pytest.approx(0.3 / ROOT3)


def test_a_balance_of_one_track_knows_no_record():
    assert balance_parts_db(SIDE, CHAIN, True) == {"gain": pytest.approx(0.15 / ROOT3)}
    two = balance_parts_db(SIDE, CHAIN, False)
    both = drawn(0.5, 2, DRAWS)
    spread_db = np.hypot(two["record"], two["second_track"])
    assert spread_db == pytest.approx(float(np.std(both[0] - both[1])), rel=0.01)


def test_another_cut_is_as_uncertain_as_two_levels():
    hz = np.array([1000.0, 1000.0, 8000.0])
    part_db = record_part_db(SIDE, hz, np.full(3, 1000.0), np.array([True, False, True]))
    both = drawn(0.5, 2, DRAWS)
    assert part_db[0] == 0.0
    assert part_db[1] == pytest.approx(float(np.std(both[0] - both[1])), rel=0.01)
    assert part_db[2] == pytest.approx(0.5 / ROOT3)


def test_harmonics_depart_each_by_itself_and_their_fundamental_with_all():
    """The root sum square of 2 % and 1 % an octave apart, with gains drawn within the tolerance."""
    ratios = np.array([[0.02, 0.01]])
    parts = harmonic_parts(CHAIN, np.array([4000.0]), np.array([2, 4]), ratios)
    gains_db = drawn(0.3, 3, DRAWS)
    lines = ratios[0][:, np.newaxis] * 10.0 ** (gains_db[1:] / 20.0)
    alone = np.sqrt((lines**2).sum(axis=0))
    assert parts["preamplifier"][0] == pytest.approx(float(np.std(alone)), rel=0.01)
    together = alone / 10.0 ** (gains_db[0] / 20.0)
    both = np.hypot(parts["preamplifier"][0], parts["second_frequency"][0])
    assert both == pytest.approx(float(np.std(together)), rel=0.01)


def test_neighbouring_harmonics_share_what_they_depart_by():
    """Equal orders at one frequency would depart as one: the part goes with their sum."""
    ratios = np.array([[0.01, 0.01]])
    apart, near = (
        harmonic_parts(CHAIN, np.array([4000.0]), np.array(orders), ratios)["preamplifier"][0]
        for orders in ([2, 4], [4, 5])
    )
    octaves = np.log2(5.0 / 4.0)
    assert near / apart == pytest.approx(np.sqrt(2.0 - octaves**2))


def test_harmonics_not_observed_have_no_part():
    parts = harmonic_parts(CHAIN, np.array([4000.0]), np.array([2, 4]), np.full((1, 2), np.nan))
    assert parts["preamplifier"][0] == parts["second_frequency"][0] == 0.0


def test_a_sideband_shares_the_response_of_its_high_tone():
    near, far = sideband_part(CHAIN, 60.0, 7000.0), sideband_part(CHAIN, 4000.0, 4000.0)
    assert 0.0 < near < 0.1 * far
    assert far <= np.sqrt(2.0) * 0.3 / ROOT3 / DB_PER_NEPER + 1e-12


def test_noise_over_a_rated_output_knows_the_rating_less_well():
    read, rated = (noise_parts_db(SIDE, CHAIN, is_rated) for is_rated in (False, True))
    assert set(read) == {"preamplifier", "record"}
    assert set(rated) == {"preamplifier", "rated", "gain", "full_scale"}
    assert rated["rated"] == pytest.approx(2.0 / ROOT3)


def test_the_arms_mass_counts_by_its_share():
    """13 g within 20 % beside a cartridge of 7 g: 13 of the 20 g that swing."""
    assert arm_mass_part(CHAIN, CARTRIDGE) == pytest.approx(0.2 / ROOT3 * 13.0 / 20.0)


def trace_of(deviation_pct):
    n = len(deviation_pct)
    return {
        "track": np.full(2 * n, 3.0),
        "channel": np.repeat(np.array(["left", "right"], object), n),
        "deviation_pct": np.tile(deviation_pct, 2),
    }


def test_speed_fluctuation_is_the_trace_less_its_drift():
    """0.1 % rms of flutter on a platter that drifts by 2 % within the trace."""
    time_s = np.linspace(0.0, 10.0, 2001)
    flutter_pct = 0.1 * np.sqrt(2.0) * np.sin(2.0 * np.pi * 5.0 * time_s)
    trace = trace_of(flutter_pct + 0.2 * (time_s - 5.0))
    context = make_context(make_side(), {"speed_trace": trace})
    assert speed_rms(context) == pytest.approx(1e-3, rel=5e-3)
    assert speed_part_db(context) == pytest.approx(np.sqrt(2.0) * 1e-3 * DB_PER_NEPER, rel=5e-3)


def test_without_a_speed_tone_the_usual_fluctuation_is_taken():
    assert speed_rms(make_context(make_side(), {})) == USUAL_SPEED_RMS
