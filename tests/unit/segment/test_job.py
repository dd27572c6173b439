"""Segmentation against the simulator's truth, and what it says of captures that went wrong."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
import yaml

import damage
from grooveledger.segment.job import most_likely_sides, segment
from grooveledger.simulate.files import write_capture
from made_sides import CHAIN, CONDITIONS, OTHER, RATE_HZ, SIDE, simulated

BLOCK = Path(__file__).parents[3] / "workflow/schemas/blocks/segment.yaml"
SETTINGS = {
    key: value["default"] for key, value in yaml.safe_load(BLOCK.read_text())["properties"].items()
}
#: Boundaries are asked for within 0.15 s; this holds them tighter.
BOUNDARY_S = 0.06
#: A silent groove may be cut this short, but no gap is in it.
INSIDE_S = 0.8


@pytest.fixture(scope="module")
def played():
    return simulated(SIDE)


@pytest.fixture(scope="module")
def played_other():
    return simulated(OTHER)


def segmented(tmp_path, samples, side=SIDE, subtype="PCM_24", rate_hz=RATE_HZ, **known):
    path = tmp_path / "capture.wav"
    sf.write(path, samples, rate_hz, subtype=subtype)
    return outcome(path, side, **known)


def outcome(path, side=SIDE, **known):
    tracks, health = segment(path, side, SETTINGS, "one", other_sides={"b": OTHER}, **known)
    return tracks.to_pylist(), health.to_pylist()[0]


def found(rows):
    return [row["track"] for row in rows if row["match"] == "found"]


def assert_ends(rows, truth, late_s=0.0):
    for row in rows:
        if row["match"] != "found":
            continue
        placed = truth.placed(row["track"])
        start_s, stop_s = row["start_s"] - late_s, row["stop_s"] - late_s
        if row["kind"] == "silent_groove":
            assert placed.start_s - BOUNDARY_S < start_s < placed.start_s + INSIDE_S
            assert placed.stop_s - INSIDE_S < stop_s < placed.stop_s + BOUNDARY_S
        else:
            assert start_s == pytest.approx(placed.start_s, abs=BOUNDARY_S)
            assert stop_s == pytest.approx(placed.stop_s, abs=BOUNDARY_S)


def test_all_tracks_lie_where_they_were_played(tmp_path, played):
    samples, truth = played
    rows, health = segmented(tmp_path, samples)
    assert (health["status"], health["reason"]) == ("ok", "")
    assert health["channel_order"] == "as_named"
    assert found(rows) == [1, 2, 3, 4, 5]
    assert_ends(rows, truth)
    left, right = rows[0]["level_left_dbfs"], rows[0]["level_right_dbfs"]
    assert left - right > 20.0


def test_steps_two_tones_and_a_slow_sweep_lie_where_they_were_played(tmp_path, played_other):
    samples, truth = played_other
    rows, health = segmented(tmp_path, samples, OTHER)
    assert (health["status"], health["channel_order"]) == ("ok", "unknown")
    assert found(rows) == [1, 2, 3, 4]
    assert_ends(rows, truth)


def test_level_is_that_of_the_samples(tmp_path, played):
    samples, truth = played
    row = segmented(tmp_path, samples)[0][0]
    one = truth.placed(1)
    part = samples[int(one.start_s * RATE_HZ) : int(one.stop_s * RATE_HZ), 0]
    assert row["level_left_dbfs"] == pytest.approx(20 * np.log10(part.std() * 2**0.5), abs=0.1)


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_a_sweep_beyond_the_bandwidth_keeps_its_planned_extent(tmp_path, rate_hz):
    tracks = (SIDE.tracks[0], replace(SIDE.tracks[2], stop_hz=40_000.0, start_hz=500.0))
    side = replace(SIDE, tracks=tracks)
    samples, truth = simulated(side, rate_hz=rate_hz)
    rows, _ = segmented(tmp_path, samples, side, rate_hz=rate_hz)
    assert found(rows) == [1, 3]
    assert_ends(rows, truth)


@pytest.mark.parametrize(("level_db", "silent"), [(-40.0, []), (0.0, [4])])
def test_without_any_noise_all_is_found(tmp_path, level_db, silent):
    """But for a silent groove that is digital silence at that level."""
    quiet = replace(CONDITIONS, surface_a_db=None, rumble_db=None, hum_db=None, hiss_a_db=None)
    samples, truth = simulated(SIDE, replace(quiet, ticks_per_min=0.0, needle_drop_cm_s=0.0))
    rows, _ = segmented(tmp_path, damage.louder(samples, level_db))
    assert found(rows) == sorted([1, 2, 3, 5, *silent])
    assert_ends(rows, truth)


def test_the_chains_exchange_and_polarity_are_expected(tmp_path):
    chain = replace(CHAIN, swap_channels=True, invert=("right",))
    samples, _ = simulated(SIDE, chain=chain)
    rows, health = segmented(tmp_path, samples, swap_channels=True, invert=("right",))
    assert (health["status"], health["channel_order"]) == ("ok", "as_named")
    assert found(rows) == [1, 2, 3, 4, 5]


def test_what_went_wrong_with_the_file_is_told(tmp_path, played):
    samples, _ = played
    cases = {
        "no file": (None, "rejected", "not found"),
        "mono": (damage.mono(samples), "rejected", "1 channel"),
        "three channels": (np.hstack([samples, samples[:, :1]]), "rejected", "3 channel"),
        "not finite": (damage.not_a_number(samples), "rejected", "not a finite number"),
        "digital silence": (damage.silent(samples), "rejected", "digital silence"),
        "noise": (np.random.default_rng(0).normal(0, 1e-4, samples.shape), "rejected", "noise"),
        "offset": (damage.offset(samples, 0.05), "flagged", "DC offset of 5.0 %"),
        "quiet": (damage.louder(samples, -40.0), "flagged", "raise the recording gain"),
        "clipped": (damage.louder(samples, 15.0), "flagged", "lower the recording gain"),
        "all clipped": (damage.louder(samples, 40.0), "rejected", "lower the recording gain"),
    }
    for name, (damaged, status, reason) in cases.items():
        if damaged is None:
            rows, health = outcome(tmp_path / "none.wav")
        else:
            rows, health = segmented(tmp_path, damaged, subtype="FLOAT")
        assert health["status"] == status, name
        assert reason in health["reason"], name
        assert (rows == []) is (status == "rejected"), name
        assert "platter" not in health["reason"]


def test_a_header_that_counts_its_own_bytes_too_is_no_fault(tmp_path, played):
    path = tmp_path / "capture.wav"
    sf.write(path, played[0], RATE_HZ, subtype="PCM_24")
    content = bytearray(path.read_bytes())
    content[4:8] = len(content).to_bytes(4, "little")
    path.write_bytes(content)
    assert outcome(path)[1]["status"] == "ok"


def test_files_that_are_no_audio_are_told(tmp_path, played):
    path = tmp_path / "capture.wav"
    for content, reason in ((b"", "0 bytes"), (b"no audio at all" * 100, "can't be read as audio")):
        path.write_bytes(content)
        rows, health = outcome(path)
        assert (rows, health["status"]) == ([], "rejected")
        assert reason in health["reason"]
        assert len(health["sha256"]) == 64
    sf.write(path, played[0][::6], 8000)
    assert "8000 Hz" in outcome(path)[1]["reason"]


@pytest.mark.parametrize("name", ["capture.flac", "capture.wav"])
def test_what_is_left_of_a_truncated_file_is_measured(tmp_path, played, name):
    path = tmp_path / name
    write_capture(path, played[0], RATE_HZ)
    damage.truncate_file(path, 0.5)
    rows, health = outcome(path)
    assert health["status"] == "flagged"
    assert found(rows)[:2] == [1, 2]
    assert 5 not in found(rows)
    assert "cut short" in health["reason"]
    if name.endswith(".flac"):
        assert "decoding stops" in health["reason"] or "promises" in health["reason"]


def test_of_a_recorder_that_ran_on_the_first_hour_is_read(tmp_path, played, monkeypatch):
    samples, truth = played
    second_s = truth.placed(2).stop_s + 1.0
    monkeypatch.setattr("grooveledger.segment.envelope.LONGEST_S", second_s)
    rows, health = segmented(tmp_path, samples)
    assert health["status"] == "flagged"
    assert "the recorder ran on" in health["reason"]
    assert health["duration_s"] == pytest.approx(second_s, abs=0.01)
    assert found(rows)[:2] == [1, 2]


def test_the_wrong_side_and_the_wrong_record_are_told(tmp_path, played, played_other):
    rows, health = segmented(tmp_path, played_other[0])
    assert (rows, health["status"]) == ([], "rejected")
    assert "fits side b of bench-a" in health["reason"]
    stranger = replace(
        SIDE, tracks=tuple(replace(t, frequency_hz=440.0) for t in SIDE.tracks if t.kind == "tone")
    )
    rows, health = segmented(tmp_path, played[0], stranger)
    assert (rows, health["status"]) == ([], "rejected")
    assert "does not look like side a" in health["reason"]


def test_the_most_likely_side_is_named(tmp_path, played, played_other):
    sides = {"a": SIDE, "b": OTHER}
    path = tmp_path / "capture.wav"
    for name, samples in (("a", played[0]), ("b", played_other[0])):
        sf.write(path, samples, RATE_HZ, subtype="PCM_24")
        assert most_likely_sides(path, sides) == [name]
    sf.write(path, damage.silent(played[0]), RATE_HZ)
    assert most_likely_sides(path, sides) == []


def test_sides_that_fit_equally_well_are_all_named(tmp_path, played):
    """A sleeve that rounds otherwise is as likely; one with a further or another track is not."""
    first, *rest = SIDE.tracks
    rounded = replace(SIDE, tracks=(replace(first, duration_s=1.08 * first.duration_s), *rest))
    longer = replace(SIDE, tracks=(*SIDE.tracks, replace(first, track=99)))
    other = replace(SIDE, tracks=(replace(first, frequency_hz=440.0), *rest))
    sides = {"longer": longer, "rounded": rounded, "a": SIDE, "other": other, "b": OTHER}
    path = tmp_path / "capture.wav"
    sf.write(path, played[0], RATE_HZ, subtype="PCM_24")
    assert most_likely_sides(path, sides) == ["rounded", "a"]


def test_exchanged_and_dead_channels_are_told(tmp_path, played):
    samples, _ = played
    rows, health = segmented(tmp_path, damage.channels_exchanged(samples))
    assert (health["status"], health["channel_order"]) == ("flagged", "exchanged")
    assert "left and right are exchanged" in health["reason"]
    assert found(rows) == [1, 2, 3, 4, 5]
    for channel, rest in (("left", [2, 5]), ("right", [1, 3, 4, 5])):
        rows, health = segmented(tmp_path, damage.dead_channel(samples, channel))
        assert (health["status"], health["channel_order"]) == ("flagged", "unknown")
        assert f"the {channel} channel of the file carries nothing" in health["reason"]
        assert found(rows) == rest
    rows, health = segmented(tmp_path, samples * [1.0, -1.0])
    assert health["status"] == "flagged"
    assert "polarity is inverted" in health["reason"]


def test_wrong_and_inexact_speed_are_told(tmp_path):
    rows, health = segmented(tmp_path, simulated(SIDE, damage.at_45(CONDITIONS))[0])
    assert (rows, health["status"]) == ([], "rejected")
    assert "played at 45 rpm" in health["reason"]
    samples, truth = simulated(SIDE, replace(CONDITIONS, speed_error_pct=-4.0))
    rows, health = segmented(tmp_path, samples)
    assert health["status"] == "flagged"
    assert "-4.0 % off its speed" in health["reason"]
    assert found(rows) == [1, 2, 3, 4, 5]
    assert_ends(rows, truth)


def test_a_late_needle_and_an_early_stop_cost_what_they_cut(tmp_path, played):
    samples, truth = played
    one, last = truth.placed(1), truth.placed(5)
    late = damage.late_needle(samples, RATE_HZ, one.stop_s + 1.0)
    rows, health = segmented(tmp_path, late)
    assert (health["status"], found(rows)) == ("flagged", [2, 3, 4, 5])
    assert "track 1 before the first one located" in health["reason"]
    rows, health = segmented(tmp_path, damage.cut_short(samples, RATE_HZ, last.start_s + 4.0))
    assert (health["status"], found(rows)) == ("flagged", [1, 2, 3, 4, 5])
    assert "track 5 is cut off by the end" in health["reason"]
    assert rows[-1]["stop_s"] == pytest.approx(last.start_s + 4.0, abs=BOUNDARY_S)
    rows, health = segmented(tmp_path, damage.cut_short(samples, RATE_HZ, last.start_s + 1.0))
    assert (health["status"], found(rows)) == ("flagged", [1, 2, 3])
    assert "cut short" in health["reason"]


def test_skips_and_locked_grooves_are_told(tmp_path, played):
    samples, truth = played
    tone_s, sweep_s = truth.placed(2).start_s + 1.5, truth.placed(3).start_s + 7.0
    cases = (
        (damage.skip(samples, RATE_HZ, tone_s), "track 2 lasts 2.2 s, 4.0 planned: a skip?"),
        (damage.locked_groove(samples, RATE_HZ, tone_s, 9), "a locked groove or a repeat?"),
        (damage.skip(samples, RATE_HZ, sweep_s), "track 3 can't be measured, the needle jumped"),
        (damage.locked_groove(samples, RATE_HZ, sweep_s, 20), "the same groove again and again"),
    )
    for damaged, reason in cases:
        rows, health = segmented(tmp_path, damaged)
        assert health["status"] == "flagged"
        assert reason in health["reason"]
        assert found(rows) == (
            [1, 2, 3, 4, 5]
            if "track 2" in reason or "repeat" in reason
            else [1, 2, 5]
            if "again" in reason
            else [1, 2, 4, 5]
        )


def test_a_repeated_and_a_missing_track_are_told(tmp_path):
    samples, truth = simulated(damage.track_twice(SIDE, 2))
    rows, health = segmented(tmp_path, samples)
    assert health["status"] == "flagged"
    assert "track 2 again" in health["reason"]
    assert found(rows) == [1, 2, 3, 4, 5]
    second = next(row for row in rows if row["track"] == 2)
    assert second["start_s"] == pytest.approx(truth.placed(2).start_s, abs=BOUNDARY_S)
    assert [row["match"] for row in rows].count("unexpected") == 1
    rows, health = segmented(tmp_path, simulated(damage.track_left_out(SIDE, 2))[0])
    assert health["status"] == "flagged"
    assert "no track 2" in health["reason"]
    assert found(rows) == [1, 3, 4, 5]


def test_bursts_are_told_and_cost_no_track(tmp_path, played):
    samples, truth = played
    times_s = (truth.placed(1).stop_s + 0.8, truth.placed(4).start_s + 5.0)
    rows, health = segmented(tmp_path, damage.bursts(samples, RATE_HZ, times_s))
    assert health["status"] == "flagged"
    assert "sound that is not planned" in health["reason"]
    assert "track 4 is not silent" in health["reason"]
    assert found(rows) == [1, 2, 3, 4, 5]


def test_short_gaps_are_gaps(tmp_path):
    samples, truth = simulated(damage.gaps_of(SIDE, 1.0))
    rows, _ = segmented(tmp_path, samples)
    assert found(rows) == [1, 2, 3, 4, 5]
    assert_ends(rows, truth)


@pytest.mark.parametrize("gap_s", [0.0, 0.3])
def test_tracks_without_a_gap_are_told_apart_by_what_they_hold(tmp_path, gap_s):
    side = damage.gaps_of(SIDE, gap_s)
    samples, truth = simulated(side)
    rows, health = segmented(tmp_path, samples, side)
    assert health["status"] == "ok"
    assert found(rows) == [1, 2, 3, 4, 5]
    assert_ends(rows, truth)


@pytest.mark.parametrize("lost_s", [0.4, 1.0])
def test_lost_samples_are_told(tmp_path, played, lost_s):
    samples, truth = played
    at = int((truth.placed(2).start_s + 2.0) * RATE_HZ)
    nothing = np.zeros((int(lost_s * RATE_HZ), 2))
    rows, health = segmented(tmp_path, np.concatenate([samples[:at], nothing, samples[at:]]))
    assert health["status"] == "flagged"
    assert "digital silence from" in health["reason"]
    assert "not planned" not in health["reason"]
    assert {1, 3, 4, 5} <= set(found(rows))


def test_loud_hum_is_told(tmp_path):
    samples, _ = simulated(SIDE, damage.loud_hum(CONDITIONS))
    rows, health = segmented(tmp_path, samples)
    assert health["status"] == "flagged"
    assert "hum at" in health["reason"]
    assert found(rows) == [1, 2, 3, 4, 5]


@pytest.mark.parametrize("beside_s", [0.05, 0.3])
def test_tracks_are_found_where_a_gate_shut_between_them(tmp_path, played, beside_s):
    """The silent groove is digital silence: no noise of it can be told."""
    samples, truth = played
    gated = np.zeros_like(samples)
    for placed in map(truth.placed, (1, 2, 3, 5)):
        first, last = placed.start_s - beside_s, placed.stop_s + beside_s
        part = slice(int(first * RATE_HZ), int(last * RATE_HZ))
        gated[part] = samples[part]
    rows, health = segmented(tmp_path, gated)
    assert health["status"] == "flagged"
    assert "digital silence between the tracks, at" in health["reason"]
    assert "lost samples there" not in health["reason"]
    assert "track 4 can't be measured" in health["reason"]
    assert found(rows) == [1, 2, 3, 5]
    assert_ends(rows, truth)


def test_a_silent_groove_in_pieces_is_not_taken_for_its_noise(tmp_path, played):
    """As a gate that opens and shuts on the noise itself leaves it."""
    samples, truth = played
    chopped, placed = samples.copy(), truth.placed(4)
    for start_s in np.arange(placed.start_s + 0.5, placed.stop_s - 0.5, 0.4):
        chopped[int(start_s * RATE_HZ) : int((start_s + 0.1) * RATE_HZ)] = 0.0
    rows, health = segmented(tmp_path, chopped)
    assert found(rows) == [1, 2, 3, 5]
    assert "track 4 can't be measured" in health["reason"]


def test_the_same_file_gives_the_same_tables(tmp_path, played):
    assert segmented(tmp_path, played[0]) == segmented(tmp_path, played[0])
