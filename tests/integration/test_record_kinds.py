"""Every kind of record that can be described, from its groove to the figures.

The groove is drawn apart from its description: durations are 10 % off or not stated, tones 2 % off,
the ends of sweeps 6 %, laws bent, each track at a speed of its own.
"""

from dataclasses import replace

import numpy as np
import pytest
import yaml
from test_truth import CARTRIDGE, NOISY, side_of, sweep, tone

import make_configuration
from grooveledger.configuration import load
from grooveledger.plan import Side
from grooveledger.simulate import StylusTruth, simulate_capture
from grooveledger.simulate.archives import small_chain
from grooveledger.simulate.files import write_capture
from grooveledger.simulate.groove import Departures, as_cut
from measured_capture import measured

RATE = 48_000
DEPARTURES = Departures(duration=0.1, sweep_end=0.06, bend=0.04, tone=0.02, track_speed=0.002)
EXACT = Departures(0.0, 0.0, 0.0, 0.0, 0.0)
#: Mild noise: what a figure may be off by is the kind's, not the noise's.
QUIET = replace(NOISY, surface_a_db=-75.0, rumble_db=-60.0, ticks_per_min=5.0, hum_db=-80.0)


def measured_of(
    tmp_path, side, *, groove=None, departures=DEPARTURES, conditions=QUIET, seed=11, **facts
):
    """Measure a capture of a groove as the side describes it; the groove is drawn from it."""
    cut = groove or as_cut(Side.from_mapping(side), departures, np.random.default_rng(seed))
    stylus = facts.pop("stylus", StylusTruth())
    path, truth = played(tmp_path, cut, stylus, conditions, seed)
    return measured(path, {**side, **facts}, small_chain(), CARTRIDGE, tmp_path / "c"), truth


def played(folder, groove, stylus, conditions, seed):
    """Play a groove into a recording; its path and its truth."""
    samples, truth = simulate_capture(groove, stylus, small_chain(), conditions, RATE, seed)
    path = folder / "capture.flac"
    write_capture(path, samples, RATE)
    return path, truth


def untimed(side):
    """The description without durations and gaps."""
    tracks = [
        {key: value for key, value in track.items() if key != "duration_s"}
        for track in side["tracks"]
    ]
    return {**side, "gap_s": None, "tracks": tracks}


def assert_ok(found, remarks=()):
    assert found.health["status"] == "ok", found.health["reason"]
    assert list(found.tables["remarks"]["remark"]) == list(remarks)


def value(found, metric, channel):
    """A metric's value; only one track gives it."""
    rows = found.rows("metrics", metric=metric, channel=channel)
    assert len(rows["value"]) == 1, (metric, rows["track"])
    return float(rows["value"][0])


# Spot tones -------------------------------------------------------------------------------------

SPOT_HZ = (1000.0, 100.0, 300.0, 3000.0, 5000.0, 10_000.0, 15_000.0)


def spots():
    return side_of(
        *(
            tone(n, modulation, frequency_hz=hz, duration_s=4.0, radius_mm=140 - n)
            for n, (modulation, hz) in enumerate(
                ((m, hz) for m in ("left", "right") for hz in SPOT_HZ), start=1
            )
        )
    )


@pytest.mark.parametrize("timed", [True, False])
def test_spot_tones_one_a_track(tmp_path, timed):
    """Each up to 2 % off its frequency: what it meets there is what is stated of it."""
    side = spots() if timed else untimed(spots())
    cut = as_cut(Side.from_mapping(spots()), DEPARTURES, np.random.default_rng(4))
    found, truth = measured_of(tmp_path, side, groove=cut)
    assert_ok(found)
    for channel, first in (("left", 1), ("right", 8)):
        rows = found.rows("response", channel=channel)
        assert set(rows["track"]) == {first}
        assert sorted(rows["frequency_hz"]) == sorted(SPOT_HZ)
        assert set(rows["reference_hz"]) == {1000.0}
        at_1khz = rows["played_hz"][rows["frequency_hz"] == 1000.0]
        true_db = truth.response_db(first, channel, rows["played_hz"])
        true_db = true_db - truth.response_db(first, channel, at_1khz)
        np.testing.assert_allclose(rows["response_db"], true_db, atol=0.08)
        apart_db = found.rows("separation", channel=channel)["separation_db"]
        played_hz = found.rows("separation", channel=channel)["played_hz"]
        np.testing.assert_allclose(apart_db, truth.separation(first, played_hz)[0], atol=0.5)
        # At the nominal frequency it is as uncertain as the curve slopes.
        metric = found.rows("metrics", metric="response_15khz_db", channel=channel)
        off_db = metric["value"][0] - truth.response_db(first, channel, 15_000.0)[0]
        assert abs(off_db) < 2.0 * metric["uncertainty"][0] + 0.05
        assert np.isnan(value(found, "response_20khz_db", channel))
        assert np.isnan(value(found, "upper_limit_hz", channel))


# Sweeps -----------------------------------------------------------------------------------------


def parts(second=None, **facts):
    low = {"start_hz": 20.0, "stop_hz": 1000.0, "duration_s": 15.0, "recorded": "iec98",
           "velocity_cm_s": 2.5, **facts}  # fmt: skip
    high = {**low, "start_hz": 1000.0, "stop_hz": 20_000.0, **(second or {})}
    return side_of(
        tone(1, "left"),
        sweep(2, "left", **low),
        sweep(3, "left", continues=2, **high),
        sweep(4, "right", **low),
        sweep(5, "right", continues=4, **high),
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_sweep_that_goes_on_in_the_next_track(tmp_path, seed):
    found, truth = measured_of(tmp_path, parts(), seed=seed)
    assert_ok(found)
    for first, channel in ((2, "left"), (4, "right")):
        rows = found.rows("response", track=first, channel=channel)
        assert set(rows["part"]) == {first, first + 1}
        assert set(rows["reference_hz"]) == {1000.0}
        inside = (rows["frequency_hz"] > 30.0) & (rows["frequency_hz"] < 18_000.0)
        hz = rows["frequency_hz"][inside]
        assert np.max(hz[1:] / hz[:-1]) < 1.2
        true_db = truth.response_db(first, channel, hz)
        np.testing.assert_allclose(rows["response_db"][inside], true_db, atol=0.3)
        for hz, name in ((100.0, "100hz"), (5000.0, "5khz"), (10_000.0, "10khz")):
            true = truth.response_db(first, channel, hz)[0]
            assert value(found, f"response_{name}_db", channel) == pytest.approx(true, abs=0.2)
        true_db = truth.separation(first, 1000.0)[0][0]
        separation = found.rows(
            "metrics", metric="separation_1khz_db", channel=channel, track=first
        )
        assert separation["value"][0] == pytest.approx(true_db, abs=0.5)


def test_parts_that_were_cut_at_another_level_than_described_are_told(tmp_path):
    cut = as_cut(Side.from_mapping(parts({"velocity_cm_s": 4.0})), EXACT, np.random.default_rng(1))
    found, _ = measured_of(tmp_path, parts(), groove=cut, response_tolerance_db=1.0)
    remarks = list(found.tables["remarks"]["remark"])
    # 4 for 2.5 cm/s is 4.1 dB.
    assert any("tracks 2 and 3, parts of one curve, are 4.1 dB apart" in text for text in remarks)


@pytest.mark.parametrize("start_hz", [20.0, 1000.0])
@pytest.mark.parametrize("stated", [True, False])
def test_a_pilot_tone_before_a_sweep(tmp_path, start_hz, stated):
    """Also where the sweep begins at the pilot's frequency."""
    facts = {"start_hz": start_hz, "pilot_hz": 1000.0, "duration_s": 18.0, "recorded": "iec98",
             "velocity_cm_s": 2.5}  # fmt: skip
    cut = side_of(
        tone(1, "left"),
        sweep(2, "left", pilot_s=3.0, **facts),
        sweep(3, "right", pilot_s=3.0, **facts),
    )
    side = cut if stated else side_of(
        tone(1, "left"), sweep(2, "left", **facts), sweep(3, "right", **facts)
    )  # fmt: skip
    groove = as_cut(Side.from_mapping(cut), DEPARTURES, np.random.default_rng(5))
    found, truth = measured_of(tmp_path, side, groove=groove)
    assert_ok(found)
    for track, channel in ((2, "left"), (3, "right")):
        rows = found.rows("response", track=track, channel=channel)
        inside = (rows["frequency_hz"] > 1.1 * max(start_hz, 30.0)) & (
            rows["frequency_hz"] < 18_000.0
        )
        hz = rows["frequency_hz"][inside]
        assert hz[-1] > 16_000.0
        off_db = rows["response_db"][inside] - truth.response_db(track, channel, hz)
        if rows["reference_hz"][0] != 1000.0:
            off_db = off_db - np.median(off_db)
        np.testing.assert_allclose(off_db, 0.0, atol=0.3)


# Noise ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("modulation", ["lateral", "left"])
@pytest.mark.parametrize(
    ("colour", "recorded"), [("pink", "iec98"), ("pink", "constant_velocity"),
                             ("white", "constant_velocity")],
)  # fmt: skip
def test_a_track_of_noise_gives_a_response(tmp_path, modulation, colour, recorded):
    # Pink at constant velocity is lifted by 19 dB in the bass.
    loud = 1.0 if (colour, recorded) == ("pink", "constant_velocity") else 5.0
    noise = {"track": 2, "kind": "noise", "modulation": modulation, "colour": colour,
             "recorded": recorded, "velocity_cm_s": loud, "duration_s": 30.0}  # fmt: skip
    silent = {"track": 3, "kind": "silent_groove", "duration_s": 12.0}
    found, truth = measured_of(tmp_path, side_of(tone(1, "left"), noise, silent, tone(4, "right")))
    assert_ok(found)
    channels = ("left", "right") if modulation == "lateral" else ("left",)
    for channel in channels:
        rows = found.rows("response", track=2, channel=channel)
        stated = ~rows["limited"] & (rows["frequency_hz"] > 45.0)
        assert stated.sum() >= 26
        hz = rows["frequency_hz"][stated]
        off_db = rows["response_db"][stated] - truth.response_db(2, channel, hz)
        allowed_db = 4.0 * rows["noise_db"][stated] + 0.1
        np.testing.assert_array_less(np.abs(off_db), allowed_db)
        metric = found.rows("metrics", metric="response_10khz_db", channel=channel)
        true = truth.response_db(2, channel, 10_000.0)[0]
        assert metric["value"][0] == pytest.approx(true, abs=0.4)
        assert metric["u_noise"][0] > 0.05
    if modulation == "lateral":
        left, right = np.abs(truth.components(2, 1000.0)[0, :, 0])
        true_db = 20.0 * np.log10(right / left)
        assert value(found, "noise_balance_db", "both") == pytest.approx(true_db, abs=0.1)


# Tracking ability -------------------------------------------------------------------------------


def steps(track, modulation="lateral", **facts):
    return {"track": track, "kind": "amplitude_steps", "modulation": modulation,
            "frequency_hz": 315.0, **facts}  # fmt: skip


VELOCITIES = [8.0, 10.0, 12.5, 16.0, 20.0]
UM_A_CM_S = 1e4 / (2.0 * np.pi * 315.0)


@pytest.mark.parametrize("stated", [True, False])
def test_steps_by_velocity(tmp_path, stated):
    """At 315 Hz, 16 cm/s are 80.8 um peak: the first past the 75 that this stylus tracks."""
    side = side_of(
        tone(1, "left"), tone(2, "right"), steps(3, velocities_cm_s=VELOCITIES, step_s=4.0)
    )
    described = side if stated else side_of(
        tone(1, "left"), tone(2, "right"), steps(3, velocities_cm_s=VELOCITIES)
    )  # fmt: skip
    groove = as_cut(Side.from_mapping(side), DEPARTURES, np.random.default_rng(7))
    stylus = StylusTruth(tracked_amplitude_um=(75.0, 95.0))
    found, _ = measured_of(tmp_path, described, groove=groove, stylus=stylus)
    assert_ok(found)
    assert value(found, "tracked_amplitude_um", "left") == pytest.approx(12.5 * UM_A_CM_S)
    assert value(found, "tracked_amplitude_um", "right") == pytest.approx(16.0 * UM_A_CM_S)


def test_several_bands_of_one_test(tmp_path):
    """One level a track: what is tracked is read across the tracks."""
    bands = [
        steps(3 + i, amplitudes_um=[um], duration_s=6.0, **({"continues": 2 + i} if i else {}))
        for i, um in enumerate((50.0, 60.0, 70.0, 80.0, 90.0))
    ]
    stylus = StylusTruth(tracked_amplitude_um=(75.0, 85.0))
    found, _ = measured_of(
        tmp_path, side_of(tone(1, "left"), tone(2, "right"), *bands), stylus=stylus
    )
    assert_ok(found)
    assert value(found, "tracked_amplitude_um", "left") == pytest.approx(70.0)
    assert value(found, "tracked_amplitude_um", "right") == pytest.approx(80.0)
    rows = found.rows("tracking_ability", track=3, channel="left")
    assert list(rows["amplitude_um"]) == [50.0, 60.0, 70.0, 80.0, 90.0]
    assert list(rows["mistracking"]) == [False, False, False, True, True]


# Sides ------------------------------------------------------------------------------------------


def test_left_then_right_in_one_track_without_a_gap(tmp_path):
    tracks = [tone(1, "left"), tone(2, "right"), sweep(3, "left"), sweep(4, "right")]
    cut = as_cut(Side.from_mapping(side_of(*tracks, gap_s=0.0)), DEPARTURES,
                 np.random.default_rng(3))  # fmt: skip
    found, truth = measured_of(tmp_path, untimed(side_of(*tracks)), groove=cut)
    assert_ok(found)
    for track, channel in ((1, "left"), (2, "right")):
        output_mv = found.rows("level", track=track, channel=channel)["output_mv"][0]
        # Of two tones 2 % off, nothing tells which is off and what the platter adds.
        assert output_mv == pytest.approx(truth.output_mv(track)[channel], rel=0.02)
    for track, channel in ((3, "left"), (4, "right")):
        rows = found.rows("response", track=track, channel=channel)
        inside = (rows["frequency_hz"] > 600.0) & (rows["frequency_hz"] < 18_000.0)
        hz = rows["frequency_hz"][inside]
        assert hz[-1] > 16_000.0
        true_db = truth.response_db(track, channel, hz)
        np.testing.assert_allclose(rows["response_db"][inside], true_db, atol=0.25)


def test_speech_is_passed_over(tmp_path):
    other = {"kind": "other", "duration_s": 6.0}
    side = side_of(
        {"track": 1, **other}, tone(2, "left"), {"track": 3, **other}, tone(4, "right"),
        sweep(5, "left"),
    )  # fmt: skip
    found, truth = measured_of(tmp_path, side)
    assert_ok(found)
    assert set(found.tracks["match"]) == {"found"}
    for table in ("level", "response", "separation", "distortion"):
        assert not set(found.tables[table]["track"]) & {1, 3}
    for track, channel in ((2, "left"), (4, "right")):
        output_mv = found.rows("level", track=track, channel=channel)["output_mv"][0]
        assert output_mv == pytest.approx(truth.output_mv(track)[channel], rel=0.02)


@pytest.mark.parametrize("rpm", [45.0, 78.26])
def test_sides_for_45_and_78_rpm(tmp_path, rpm):
    side = side_of(
        tone(1, "left"), tone(2, "right"), sweep(3, "left"), sweep(4, "right"),
        tone(5, "lateral", frequency_hz=3150.0, purpose="speed", duration_s=8.0), rpm=rpm,
    )  # fmt: skip
    found, truth = measured_of(tmp_path, side, departures=DEPARTURES._replace(tone=0.0))
    assert_ok(found)
    for track, channel in ((3, "left"), (4, "right")):
        true = truth.response_db(track, channel, 10_000.0)[0]
        assert value(found, "response_10khz_db", channel) == pytest.approx(true, abs=0.2)
    speed = found.rows("speed", track=5, channel="left")
    # The groove's own departure of 0.2 % in speed is in what is heard.
    assert speed["speed_error_pct"][0] == pytest.approx(truth.speed(5).speed_error_pct, abs=0.25)
    assert speed["once_per_rev_pct"][0] == pytest.approx(0.15, abs=0.03)


@pytest.mark.parametrize("stated", [True, False])
def test_steps_two_per_cent_off_their_frequencies(tmp_path, stated):
    hz = [100.0, 315.0, 1000.0, 3150.0, 10_000.0]
    side = side_of(
        tone(1, "left"), tone(2, "right"),
        {"track": 3, "kind": "tone_steps", "modulation": "left", "frequencies_hz": hz,
         "velocity_cm_s": 3.0, "step_s": 3.0},
    )  # fmt: skip
    described = side if stated else untimed(side)
    if not stated:
        del described["tracks"][2]["step_s"]
    for seed in (1, 2):
        groove = as_cut(Side.from_mapping(side), DEPARTURES, np.random.default_rng(seed))
        found, truth = measured_of(tmp_path, described, groove=groove, seed=seed)
        assert_ok(found)
        rows = found.rows("response", track=3)
        assert list(rows["frequency_hz"]) == hz
        at_1khz = rows["played_hz"][2:3]
        true_db = truth.response_db(3, "left", rows["played_hz"])
        true_db = true_db - truth.response_db(3, "left", at_1khz)
        np.testing.assert_allclose(rows["response_db"], true_db, atol=0.08)


def test_copies_with_plays_and_calibrations_of_their_own(tmp_path):
    """One was cut as described, the other 2 dB too hot in the treble, as its sheet says."""
    tracks = [tone(1, "left"), tone(2, "right"), sweep(3, "left"), sweep(4, "right")]
    record = {"record": "twice", "rpm": 33.3333, "response_tolerance_db": 1.0,
              "copies": {"plain": {},
                         "hot": {"calibration": "config/records/hot.tsv",
                                 "response_tolerance_db": 0.3}},
              "sides": {"a": {"gap_s": 2.0, "tracks": tracks}}}  # fmt: skip
    header = ["capture", "file", "captured_at", "stylus", "record", "side", "chain", "copy"]
    order = ("plain", "hot", "hot")
    sheet = [
        [f"c{i}", f"c{i}.flac", f"2024-03-1{i}", "s1", "twice", "a", "bench", copy]
        for i, copy in enumerate(order)
    ]
    hot = [["side", "track", "frequency_hz", "recorded_db"]]
    for track in ("3", "4"):
        hot += [["a", track, hz, db] for hz, db in (("500", "0"), ("1000", "0"), ("10000", "2"))]
    folder = make_configuration.write(
        tmp_path,
        {
            "config/records/twice.yaml": yaml.safe_dump(record),
            "config/records/hot.tsv": make_configuration.sheet(hot),
            "config/captures.tsv": make_configuration.sheet([header, *sheet]),
        },
    )
    archive = load(make_configuration.config(), folder)
    assert [row["record_plays"] for row in archive.captures] == [0, 0, 1]
    plain, hot_side = (archive.side_of(row) for row in archive.captures[:2])
    for name, cut in (("plain", plain), ("hot", hot_side)):
        place = tmp_path / name
        place.mkdir()
        groove = as_cut(Side.from_mapping(cut), EXACT, np.random.default_rng(1))
        path, truth = played(place, groove, StylusTruth(), QUIET, 11)
        for as_copy, side in (("plain", plain), ("hot", hot_side)):
            found = measured(path, side, small_chain(), CARTRIDGE, place / as_copy)
            for track, channel in ((3, "left"), (4, "right")):
                true = truth.response_db(track, channel, 10_000.0)[0]
                off_db = value(found, "response_10khz_db", channel) - true
                wrong_db = 2.0 * ((name == "hot") - (as_copy == "hot"))
                assert off_db == pytest.approx(wrong_db, abs=0.1)
                u_record = found.rows("metrics", metric="response_10khz_db", channel=channel)
                tolerance_db = {"plain": 1.0, "hot": 0.3}[as_copy]
                assert u_record["u_record"][0] == pytest.approx(tolerance_db / np.sqrt(3.0))
            assert_ok(found)
