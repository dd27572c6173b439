"""Curves that claim what they can't: left out, and told with a remedy."""

import numpy as np
import pytest

from grooveledger.measure.plausibility import checked
from made_figures import rows_of, sweep, tone
from made_observations import joined, make_context, make_side, orders_of

HZ = 1000.0 * 2.0 ** (np.arange(-132, 104) / 24.0)
SMOOTH_DB = -0.2 * np.log2(HZ / 1000.0) + 3.0 / (1.0 + 16.0 * np.log2(HZ / 12_000.0) ** 2)
TOP_HZ = 43_000.0


def curve(response_db, hz=HZ, track=1, channel="left", **columns):
    n = len(hz)
    return rows_of("response", **{
        "track": [track] * n, "channel": [channel] * n, "frequency_hz": hz,
        "response_db": response_db, "reference_hz": 1000.0, "uncertainty_db": 0.1,
        "noise_db": 0.01, "speed_db": 0.0, "limited": [False] * n, **columns,
    })  # fmt: skip


def found(measures, *tracks, observed=None, top_hz=TOP_HZ, **facts):
    side = make_side(*tracks, **facts)
    if observed is None:
        observed = joined(*(orders_of(t.track, HZ, {1: (0.1, 0.001)}) for t in side.tracks))
    return checked(measures, make_context(side, {"orders": observed}), top_hz)


def test_a_smooth_curve_that_covers_its_sweep_raises_nothing():
    rng = np.random.default_rng(3)
    rough_db = SMOOTH_DB + 0.05 * rng.standard_normal(len(HZ))
    result = found({"response": curve(rough_db, noise_db=0.05)}, sweep("left"))
    assert result.remarks == []
    np.testing.assert_array_equal(result.tables["response"]["response_db"], rough_db)


def test_single_readings_that_their_neighbours_contradict_are_left_out():
    wrong_db = SMOOTH_DB.copy()
    wrong_db[[60, 150]] += [4.0, -6.0]
    result = found({"response": curve(wrong_db)}, sweep("left"))
    lost = np.flatnonzero(np.isnan(result.tables["response"]["response_db"]))
    assert lost.tolist() == [60, 150]
    ((track, text),) = result.remarks
    assert track == 1
    assert "2 readings" in text
    assert "clean record" in text


def test_an_octave_read_along_the_wrong_path_is_left_out_whole():
    rng = np.random.default_rng(5)
    wrong_db = np.where(HZ > 8000.0, SMOOTH_DB + rng.normal(0.0, 6.0, len(HZ)), SMOOTH_DB)
    rows = found({"response": curve(wrong_db)}, sweep("left")).tables["response"]
    assert np.isnan(rows["response_db"][HZ > 8000.0]).all()
    assert np.isfinite(rows["response_db"][HZ < 7900.0]).all()


def test_a_response_of_40_db_is_none():
    steep_db = np.clip(6.0 * np.log2(HZ / 1000.0), 0.0, None)
    result = found({"response": curve(steep_db)}, sweep("left"))
    lost = np.isnan(result.tables["response"]["response_db"])
    assert lost[(steep_db > 20.0) & (HZ <= 20_000.0)].all()
    assert not lost[steep_db < 19.0].any()
    assert "beyond 20 dB" in result.remarks[0][1]


def test_a_sweep_whose_response_has_no_value_is_told():
    rows = curve(np.full(len(HZ), np.nan), limited=[True] * len(HZ), part=1)
    ((track, text),) = found({"response": rows}, sweep("left")).remarks
    assert track == 1
    assert "gives no response" in text


@pytest.mark.parametrize(("floor_fs", "told"), [(0.05, False), (1e-4, True)])
def test_a_resonance_sweep_that_does_not_sink_into_the_rumble_was_cut_short(floor_fs, told):
    """Clear of the noise where it ends, it stopped there; else nothing is known of its end."""
    low = {**sweep("lateral"), "start_hz": 25.0, "stop_hz": 5.0}
    observed = orders_of(1, np.geomspace(9.0, 25.0, 30), {1: (0.1, 0.1)}, floor_fs=floor_fs)
    remarks = found({}, low, observed=observed).remarks
    assert [track for track, text in remarks if "gives a curve from 9 to 25 Hz" in text] == (
        [1] if told else []
    )


@pytest.mark.parametrize(
    ("played_hz", "told"),
    [
        (HZ, None),
        (HZ[HZ < 15_000.0], "only, but is described as"),
        (HZ[HZ > 100.0], "only, but is described as"),
        (HZ[:0], "located but gives no curve"),
    ],
)
def test_a_sweep_that_gives_no_curve_or_a_short_one_is_told(played_hz, told):
    observed = orders_of(1, played_hz, {1: (0.1, 0.001)})
    remarks = found({}, sweep("left"), observed=observed).remarks
    assert (not remarks) if told is None else (told in remarks[0][1])


def test_what_the_sampling_rate_cuts_off_is_not_missed():
    observed = orders_of(1, HZ[HZ < 15_000.0], {1: (0.1, 0.001)})
    assert not found({}, sweep("left"), observed=observed, top_hz=16_000.0).remarks


def test_a_separation_negative_throughout_takes_the_tracks_figures_with_it():
    n = len(HZ)
    separation = rows_of(
        "separation", track=[1] * n, channel=["left"] * n, frequency_hz=HZ,
        separation_db=np.full(n, -25.0), floor_db=np.full(n, 20.0), limited=[False] * n,
    )  # fmt: skip
    result = found({"separation": separation, "response": curve(SMOOTH_DB)}, sweep("left"))
    assert np.isnan(result.tables["separation"]["separation_db"]).all()
    assert np.isnan(result.tables["response"]["response_db"]).all()
    assert "swap_channels" in result.remarks[0][1]


def test_two_sweeps_cut_alike_that_disagree_are_told():
    both = [curve(SMOOTH_DB), curve(SMOOTH_DB - 3.0 * np.log2(HZ / 1000.0), track=2)]
    measures = {"response": {n: np.concatenate([p[n] for p in both]) for n in both[0]}}
    tracks = (sweep("left"), sweep("left"))
    text = found(measures, *tracks, response_tolerance_db=1.0).remarks[0][1]
    assert "tracks 1 and 2, cut alike, differ" in text
    assert not found(measures, *tracks, response_tolerance_db=3.0).remarks
    assert not found(measures, sweep("left"), sweep("lateral")).remarks


def test_tone_and_sweep_must_agree_at_1_khz():
    level = rows_of("level", track=[2], channel=["left"], frequency_hz=1000.0,
                    sensitivity_mv_per_cm_s=1.0, limited=[False])  # fmt: skip
    tracks = (sweep("left", velocity_cm_s=5.0), tone("left", velocity_cm_s=5.0))
    facts = {"response_tolerance_db": 0.5}
    loud = {"level": level, "response": curve(SMOOTH_DB, sensitivity_mv_per_cm_s=2.0**0.5)}
    text = found(loud, *tracks, **facts).remarks[0][1]
    assert "3.0 dB louder per velocity" in text
    near = {"level": level, "response": curve(SMOOTH_DB, sensitivity_mv_per_cm_s=1.1)}
    assert not found(near, *tracks, **facts).remarks
    # Of a lateral tone the other wall's crosstalk is a part: 1.75 dB more are allowed.
    for off_db, remarks in ((3.2, 0), (3.3, 1)):
        apart = {
            "level": level,
            "response": curve(SMOOTH_DB, sensitivity_mv_per_cm_s=10 ** (off_db / 20)),
        }
        lateral = (sweep("left", velocity_cm_s=5.0), tone("lateral", velocity_cm_s=5.0))
        assert len(found(apart, *lateral, **facts).remarks) == remarks


def test_a_bound_far_below_the_response_is_none():
    """Where the groove is silent before the sweep, noise bounds nothing that was cut."""
    silent = HZ < 30.0
    response_db = np.where(silent, -72.0, SMOOTH_DB)
    result = found({"response": curve(response_db, limited=silent)}, sweep("left"))
    lost = np.isnan(result.tables["response"]["response_db"])
    np.testing.assert_array_equal(lost, silent)
    assert f"track 1 has {silent.sum()} readings" in result.remarks[0][1]
    assert "beyond 20 dB" in result.remarks[0][1]


FLAT_DB = np.zeros(len(HZ))


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("level_db", "is_lost"), [(19.9, False), (20.1, True)])
def test_a_response_beyond_20_db_is_none_up_to_20_khz(sign, level_db, is_lost):
    rows = found({"response": curve(sign * level_db + FLAT_DB)}, sweep("left")).tables["response"]
    lost = np.isnan(rows["response_db"])
    np.testing.assert_array_equal(lost, (HZ <= 20_000.0) & is_lost)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "is_short"),
    [
        (25.1, 17_900.0, False),
        (25.3, 17_900.0, True),
        (25.1, 17_800.0, True),
    ],
)
def test_a_curve_may_end_a_third_of_an_octave_above_and_an_eighth_below(low_hz, high_hz, is_short):
    """20 Hz times 1.26, and 20 kHz over 1.12."""
    observed = orders_of(1, np.geomspace(low_hz, high_hz, 50), {1: (0.1, 0.001)})
    assert bool(found({}, sweep("left"), observed=observed).remarks) == is_short


@pytest.mark.parametrize(("times", "is_told"), [(9.9, False), (10.1, True)])
def test_a_low_sweep_sinks_into_the_noise_at_ten_times_it(times, is_told):
    low = {**sweep("lateral"), "start_hz": 25.0, "stop_hz": 5.0}
    observed = orders_of(1, np.geomspace(9.0, 25.0, 30), {1: (0.1, 0.1)}, floor_fs=0.1 / times)
    assert bool(found({}, low, observed=observed).remarks) == is_told
    # Of any other sweep the beginning is missed.
    audio = sweep("left", start_hz=20.0)
    short = orders_of(1, np.geomspace(40.0, 2e4, 90), {1: (0.1, 0.1)}, floor_fs=0.1 / times)
    assert found({}, audio, observed=short).remarks


@pytest.mark.parametrize(("top_hz", "is_told"), [(7000.0, False), (9000.0, True)])
def test_steps_that_the_sampling_rate_holds_are_missed(top_hz, is_told):
    steps = {
        "kind": "tone_steps",
        "modulation": "left",
        "frequencies_hz": [1000.0, 2000.0, 8000.0],
        "step_s": 5.0,
    }
    observed = orders_of(1, [1000.0, 2000.0], {1: (0.1, 0.001)}, steps=True)
    remarks = found({}, steps, observed=observed, top_hz=top_hz).remarks
    assert bool(remarks) == is_told
    if is_told:
        assert "gives 2 of its 3 steps" in remarks[0][1]


def two(first_db, second_db, **second):
    parts = [curve(first_db), curve(second_db, **second)]
    return {"response": {n: np.concatenate([p[n] for p in parts]) for n in parts[0]}}


@pytest.mark.parametrize(("apart_db", "is_told"), [(5.9, False), (6.1, True)])
def test_channels_of_one_track_differ_by_less_than_six_decibels(apart_db, is_told):
    measures = two(FLAT_DB, FLAT_DB + apart_db, channel="right")
    remarks = found(measures, sweep("lateral")).remarks
    assert bool(remarks) == is_told
    if is_told:
        assert "differ by 6.1 dB" in remarks[0][1]


@pytest.mark.parametrize(("apart_db", "is_told"), [(2.4, False), (2.6, True)])
def test_two_tracks_agree_within_twice_the_guarantee_and_half_a_decibel(apart_db, is_told):
    measures = two(FLAT_DB, FLAT_DB + apart_db, track=2)
    remarks = found(measures, sweep("left"), sweep("left"), response_tolerance_db=1.0).remarks
    assert bool(remarks) == is_told


@pytest.mark.parametrize(("split_hz", "is_told"), [(730.0, True), (685.0, False)])
def test_tracks_are_compared_from_100_hz_to_5_khz(split_hz, is_told):
    """By the median: 707 Hz is in the middle of that band on log frequency."""
    measures = two(FLAT_DB, np.where(split_hz > HZ, 1.5, 0.0), track=2)
    texts = [text for _, text in found(measures, sweep("left"), sweep("left")).remarks]
    assert any("differ by 1.5 dB" in text for text in texts) == is_told


@pytest.mark.parametrize(("tone_hz", "is_told"), [(1049.0, True), (1051.0, False), (951.0, True)])
def test_a_tone_within_a_twentieth_of_1_khz_is_held_against_a_sweep(tone_hz, is_told):
    level = rows_of("level", track=[2], channel=["left"], frequency_hz=tone_hz,
                    sensitivity_mv_per_cm_s=1.0, limited=[False])  # fmt: skip
    measures = {"level": level, "response": curve(FLAT_DB, sensitivity_mv_per_cm_s=3.0)}
    tracks = (sweep("left", velocity_cm_s=5.0), tone("left", velocity_cm_s=5.0))
    remarks = found(measures, *tracks).remarks
    assert bool(remarks) == is_told
    if is_told:
        assert "9.5 dB louder" in remarks[0][1]
    softer = {**measures, "response": curve(FLAT_DB, sensitivity_mv_per_cm_s=1.0 / 3.0)}
    assert [("9.5 dB softer" in text) for _, text in found(softer, *tracks).remarks] == (
        [True] if is_told else []
    )
    bound = {**measures, "level": {**level, "limited": np.array([True])}}
    assert not found(bound, *tracks).remarks


@pytest.mark.parametrize(("best_db", "is_crossed"), [(0.5, False), (-0.5, True)])
def test_a_track_is_crossed_where_the_other_channel_is_louder_throughout(best_db, is_crossed):
    n = len(HZ)
    separation_db = np.full(n, -25.0)
    separation_db[100] = best_db
    rows = rows_of(
        "separation", track=[1] * n, channel=["right"] * n, frequency_hz=HZ,
        separation_db=separation_db, floor_db=np.full(n, 20.0), limited=np.arange(n) == 7,
    )  # fmt: skip
    remarks = found({"separation": rows}, sweep("right")).remarks
    assert bool(remarks) == is_crossed
    if is_crossed:
        assert "described as right, but left is louder" in remarks[0][1]


def test_curves_that_agree_are_of_one_opinion_at_any_level():
    assert not found(two(FLAT_DB + 3.0, FLAT_DB + 3.0, channel="right"), sweep("lateral")).remarks
    apart = found(two(FLAT_DB + 3.5, FLAT_DB - 3.5, channel="right"), sweep("lateral")).remarks
    assert "differ by 7.0 dB" in apart[0][1]
