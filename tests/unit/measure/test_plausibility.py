"""Curves that claim what they can't: left out, and told with a remedy."""

import numpy as np
import pytest

from grooveledger.measure.plausibility import checked, off_their_neighbours
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


def test_noise_excuses_what_it_explains():
    rng = np.random.default_rng(6)
    noisy_db = SMOOTH_DB + rng.normal(0.0, 1.0, len(HZ))
    off = off_their_neighbours(HZ, noisy_db, np.full(len(HZ), 1.0))
    assert off.sum() == 0


def test_steps_are_too_far_apart_to_contradict_one_another():
    hz = 1000.0 * 2.0 ** (np.arange(-12, 13) / 3.0)
    assert not off_their_neighbours(hz, np.where(hz == 1000.0, 9.0, 0.0), np.full(25, 0.1)).any()


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


@pytest.mark.parametrize("end", [0, -1])
@pytest.mark.parametrize(("off_db", "is_lost"), [(-5.4, True), (4.0, True), (1.5, False)])
def test_an_end_reading_is_confirmed_by_the_line_of_those_inside(end, off_db, is_lost):
    """A window that holds the beginning of the sweep and the silence before it reads low."""
    response_db = SMOOTH_DB.copy()
    response_db[end] += off_db
    off = off_their_neighbours(HZ, response_db, np.full(len(HZ), 0.01))
    assert off[end] == is_lost
    assert off.sum() == is_lost


def test_two_end_readings_that_are_off_do_not_confirm_each_other():
    response_db = SMOOTH_DB.copy()
    response_db[:2] -= (9.0, 5.0)
    off = off_their_neighbours(HZ, response_db, np.full(len(HZ), 0.01))
    assert np.flatnonzero(off).tolist() == [0, 1]


def test_a_roll_off_and_a_peak_at_the_end_are_no_faults():
    x = HZ / 19_500.0
    for q in (0.5, 1.0, 5.0):
        peak_db = -10.0 * np.log10((1.0 - x**2) ** 2 + (x / q) ** 2)
        assert not off_their_neighbours(HZ, peak_db, np.full(len(HZ), 0.01)).any()


def test_a_bound_far_below_the_response_is_none():
    """Where the groove is silent before the sweep, noise bounds nothing that was cut."""
    silent = HZ < 30.0
    response_db = np.where(silent, -72.0, SMOOTH_DB)
    result = found({"response": curve(response_db, limited=silent)}, sweep("left"))
    lost = np.isnan(result.tables["response"]["response_db"])
    np.testing.assert_array_equal(lost, silent)
    assert "beyond 20 dB" in result.remarks[0][1]
