"""Levels that contradict what is described, each with its own remark."""

from dataclasses import replace

import numpy as np
import pytest

from grooveledger.measure.level_remarks import _load_db, level_remarks
from made_descriptions import RATED, SIDE, STYLUS, captured, changed, only, remarked
from made_figures import rows_of
from made_observations import CARTRIDGE, CHAIN, make_context, make_side


def test_peak_described_where_the_record_is_rms():
    """Velocities of the same sleeve read as peak: sqrt 2 or 3.01 dB too much comes out."""
    track, text = only(remarked(captured(changed(velocity_measure="rms"))))
    assert track is None
    assert text.startswith("the output is 3.0 dB above the rated 4.2 mV in both channels: check")
    assert "velocity_measure" in text


def test_rms_described_where_the_record_is_peak():
    _, text = only(remarked(captured(SIDE), changed(velocity_measure="rms")))
    assert "3.0 dB below" in text
    assert "velocities are really peak" in text


def test_lateral_velocity_described_as_the_channels():
    lateral = changed(5, 8, velocity_cm_s=5.0 * np.sqrt(2.0))
    _, text = only(remarked(captured(lateral)))
    assert text.startswith("output per velocity is 3.0 dB higher by the lateral or vertical tracks")
    assert "along the stylus's axis" in text


def test_channel_velocity_described_as_the_styluss():
    one_channel = changed(1, 2, velocity_cm_s=5.0 / np.sqrt(2.0))
    _, text = only(remarked(captured(one_channel)))
    assert "3.0 dB higher by the lateral or vertical tracks" in text


def test_tracks_of_another_reference_level():
    _, text = only(remarked(captured(changed(5, 8, velocity_cm_s=12.6))))
    assert "8.0 dB higher" in text
    assert text.endswith("check velocity_cm_s and velocity_measure of both")


@pytest.mark.parametrize("gain_db", [0.0, 20.0, 60.0, 80.0])
def test_a_wrong_gain_is_told_with_the_gain_that_it_would_have_to_be(gain_db):
    loud = gain_db > CHAIN.gain_db
    _, text = only(remarked(captured(SIDE, replace(CHAIN, gain_db=gain_db))))
    assert f"{abs(gain_db - 40.0):.1f} dB {'above' if loud else 'below'}" in text
    assert f"gain_db would have to be {gain_db:.1f} " in text


def test_a_wrong_full_scale_is_told_with_what_it_would_have_to_be():
    _, text = only(remarked(captured(SIDE, replace(CHAIN, full_scale_v_rms=0.1))))
    assert "26.0 dB above" in text
    assert "full_scale_v_rms 0.101 for that" in text


def test_a_sheet_without_output_leaves_what_cartridges_give():
    unrated = replace(CARTRIDGE, rated={})
    assert remarked(captured(SIDE), cartridge=unrated) == []
    _, text = only(remarked(captured(SIDE, replace(CHAIN, gain_db=80.0)), cartridge=unrated))
    assert "would be 420 mV, but cartridges of its kind give 0.8 to 15" in text
    quiet = replace(unrated, principle="moving_coil")
    assert remarked(captured(SIDE, replace(CHAIN, gain_db=20.0)), cartridge=quiet) == []


def test_a_low_load_may_lower_the_output_of_a_coil_of_some_resistance():
    """Voltage divider: 40 ohm into 100 ohm leaves 2.9 dB less than the open coil gives."""
    divided = 100.0 / 140.0 * RATED
    stylus = replace(STYLUS, sensitivity_mv_per_cm_s=(divided, divided), coil_inductance_mh=0.0)
    chain = replace(CHAIN, input_resistance_ohm=100.0)
    coil = replace(CARTRIDGE, coil_resistance_ohm=40.0)
    capture = captured(SIDE, chain, stylus)
    assert remarked(capture, chain=chain, cartridge=coil) == []
    for load_ohm, alarms in ((1e6, 0), (100.0, 1)):
        rated = replace(coil, rated={**CARTRIDGE.rated, "load_ohm": load_ohm})
        assert len(remarked(capture, chain=chain, cartridge=rated)) == alarms


# Thresholds -------------------------------------------------------------------------------------

BAND_HZ = (299.0, 1101.0)
LIMIT_DB = 2.0


def told(rows, cartridge=CARTRIDGE, as_described=None, limit_db=LIMIT_DB):
    """Remarks on levels of (modulation, channel, dB re rated, frequency, whether limited)."""
    tracks = [
        {"kind": "tone", "modulation": modulation, "frequency_hz": 1000.0, "duration_s": 9.0}
        for modulation, *_ in rows
    ]
    level = rows_of(
        "level",
        track=list(range(1, len(rows) + 1)),
        channel=[row[1] for row in rows],
        frequency_hz=[row[3] if len(row) > 3 else 1000.0 for row in rows],
        sensitivity_mv_per_cm_s=[RATED * 10.0 ** (row[2] / 20.0) for row in rows],
        limited=[len(row) > 4 and row[4] for row in rows],
    )
    context = make_context(make_side(*tracks), {}, {"level_off_db": limit_db}, cartridge=cartridge)
    numbers = range(1, len(rows) + 1) if as_described is None else as_described
    return [text for _, text in level_remarks(context, level, frozenset(numbers), BAND_HZ)]


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("off_db", "is_told"), [(1.99, False), (2.01, True)])
def test_an_output_is_off_the_rated_one_beyond_the_setting(off_db, is_told, sign):
    texts = told([("left", "left", sign * off_db)])
    assert len(texts) == is_told
    assert not is_told or ("above" if sign > 0.0 else "below") in texts[0]


@pytest.mark.parametrize(("off_db", "said"), [(4.5, "velocity_measure"), (4.6, "gain_db would")])
def test_beyond_three_and_a_half_decibels_more_it_is_no_peak_for_rms(off_db, said):
    """20 lg sqrt 2 and 1.5 dB."""
    (text,) = told([("left", "left", off_db)])
    assert said in text


@pytest.mark.parametrize(
    ("row", "counts"),
    [
        (("left", "left", 9.0), True),
        (("left", "left", 9.0, 298.0), False),
        (("left", "left", 9.0, 300.0), True),
        (("left", "left", 9.0, 1102.0), False),
        (("left", "left", 9.0, 1000.0, True), False),
    ],
)
def test_tones_of_the_band_that_stand_clear_are_looked_at(row, counts):
    assert len(told([row])) == counts
    assert told([row], as_described=[]) == []


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("step_db", "is_told"), [(1.99, False), (2.01, True)])
def test_lateral_tracks_are_apart_from_the_setting_on(step_db, is_told, sign):
    texts = told([("left", "left", 0.0), ("lateral", "left", sign * step_db)])
    assert len(texts) == is_told
    assert not is_told or ("higher" if sign > 0.0 else "lower") in texts[0]
    # Another channel shares nothing with it.
    assert not told([("left", "left", 0.0), ("lateral", "right", 1.9)])


@pytest.mark.parametrize(
    ("step_db", "is_axis"), [(1.6, True), (1.4, False), (4.4, True), (4.6, False), (-3.0, False)]
)
def test_a_step_near_three_decibels_is_one_of_axis_and_channel(step_db, is_axis):
    texts = told([("left", "left", 0.0), ("lateral", "left", step_db)], limit_db=1.0)
    assert ("along the stylus's axis" in texts[0]) == is_axis


def test_channels_are_averaged_and_of_several_tones_the_median_counts():
    rows = [("left", "left", 0.0)] * 2 + [("left", "left", 9.0), ("right", "right", 3.8)]
    assert told(rows) == []
    assert len(told([*rows[:3], ("right", "right", 4.2)])) == 1


@pytest.mark.parametrize(("mv", "is_told"), [(0.79, True), (0.81, False), (14.9, False), (15.1, 1)])
def test_without_a_sheet_the_output_is_held_against_what_its_kind_gives(mv, is_told):
    """A moving magnet gives 0.8 to 15 mV at 5 cm/s peak (common practice)."""
    off_db = 20.0 * np.log10(mv / (5.0 / np.sqrt(2.0)) / RATED)
    texts = told([("left", "left", off_db)], cartridge=replace(CARTRIDGE, rated={}))
    assert len(texts) == is_told


def test_what_a_load_takes_is_the_voltage_dividers():
    """40 ohm into 100: 2.92 dB less; rated into 400, which takes 0.83 itself."""
    coil = replace(CARTRIDGE, coil_resistance_ohm=40.0, rated={"load_ohm": 400.0})
    chain = replace(CHAIN, input_resistance_ohm=100.0)
    assert _load_db(coil, chain) == pytest.approx((-2.095, -2.095), abs=1e-3)
    unrated = replace(coil, rated={})
    assert _load_db(unrated, chain) == pytest.approx((-2.923, 0.0), abs=1e-3)
