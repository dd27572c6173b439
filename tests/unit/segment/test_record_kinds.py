"""Every kind of track a record may have, from its description to where it lies in a capture."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
import yaml

from grooveledger.plan import Side
from grooveledger.segment.job import segment
from made_captures import RATE_HZ, capture_of

BLOCK = Path(__file__).parents[3] / "workflow/schemas/blocks/segment.yaml"
SETTINGS = {
    key: value["default"] for key, value in yaml.safe_load(BLOCK.read_text())["properties"].items()
}
BOUNDARY_S = 0.1
#: Third-octave steps (ISO 266 preferred frequencies), Hz.
THIRD_OCTAVES_HZ = [
    *(20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800),
    *(1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000),
]


def side_of(*tracks, gap_s=None):
    numbered = [{"track": i, **track} for i, track in enumerate(tracks, start=1)]
    return Side.from_mapping(
        {"record": "r", "side": "a", "rpm": 33.3333, "gap_s": gap_s, "tracks": numbered}
    )


def tone(modulation="left", hz=1000, s=5.0, **more):
    return {"kind": "tone", "modulation": modulation, "frequency_hz": hz, "duration_s": s, **more}


def sweep(modulation="left", start_hz=20, stop_hz=20_000, s=20.0, **more):
    return {"kind": "sweep", "modulation": modulation, "start_hz": start_hz, "stop_hz": stop_hz,
            "duration_s": s, **more}  # fmt: skip


def without_durations(side):
    return replace(side, tracks=tuple(replace(track, duration_s=None) for track in side.tracks))


def located(tmp_path, cut, described=None, gap_s=2.0, change=None, **how):
    """Rows of the described tracks in a capture of the cut ones, its health, and the truth."""
    samples, placed = capture_of(cut.tracks, gap_s, seed=7, **how)
    if change is not None:
        change(samples, placed)
    path = tmp_path / "capture.wav"
    sf.write(path, samples, RATE_HZ, subtype="FLOAT")
    tracks, health = segment(path, described or cut, SETTINGS, "one")
    rows = tracks.to_pylist()
    return {row["track"]: row for row in rows if row["track"]}, health.to_pylist()[0], placed, [
        (row["start_s"], row["stop_s"]) for row in rows if row["match"] == "unexpected"
    ]  # fmt: skip


def assert_located(rows, placed, numbers=None, abs_s=BOUNDARY_S):
    for number in numbers or placed:
        row = rows[number]
        assert row["match"] == "found", row
        assert (row["start_s"], row["stop_s"]) == pytest.approx(placed[number], abs=abs_s), row


STEPS = {"kind": "tone_steps", "modulation": "left", "frequencies_hz": THIRD_OCTAVES_HZ}


@pytest.mark.parametrize("described_step_s", [1.8, 2.0, 2.2])
def test_a_thump_before_a_stepped_track_is_no_step(tmp_path, described_step_s):
    cut = side_of({**STEPS, "step_s": 2.0}, tone())
    described = side_of({**STEPS, "step_s": described_step_s}, tone())
    for thump_s in (0.4, 1.0, 2.2):
        rows, health, placed, _ = located(tmp_path, cut, described, thump_s=thump_s)
        assert_located(rows, placed)
        assert health["status"] == "ok", health["reason"]


def burst(seconds, before_s, number, hz):
    """Add a sound that ends `before_s` before a track begins."""

    def add(samples, placed):
        last = int((placed[number][0] - before_s) * RATE_HZ)
        first = last - int(seconds * RATE_HZ)
        time_s = np.arange(last - first) / RATE_HZ
        samples[first:last] += 0.1 * np.sin(2.0 * np.pi * hz * time_s)[:, None]

    return add


@pytest.mark.parametrize("before_s", [0.0, 0.1, 0.5])
@pytest.mark.parametrize("seconds", [0.3, 1.2])
@pytest.mark.parametrize("number", [2, 3, 4])
def test_a_sound_before_a_track_is_never_joined_to_it(tmp_path, number, seconds, before_s):
    """A pop, or a word of speech, that ends where the track begins or shortly before it."""
    cut = side_of(tone("right"), tone(), {**STEPS, "step_s": 1.0}, sweep("left", 100, 15_000, 12.0))
    change = burst(seconds, before_s, number, 230.0)
    rows, _, placed, _ = located(tmp_path, cut, change=change)
    assert_located(rows, placed)


def test_tracks_without_described_durations_and_gaps(tmp_path):
    cut = side_of(
        tone("left"), tone("right"), sweep("left"), sweep("right", s=15.0), tone("lateral", 3150),
        sweep("lateral", 25, 5, 20.0), {"kind": "silent_groove", "duration_s": 12.0},
        tone("vertical", 315),
    )  # fmt: skip
    rows, health, placed, _ = located(tmp_path, cut, without_durations(cut))
    assert_located(rows, placed, [1, 2, 3, 4, 5, 8])
    assert_located(rows, placed, [6], abs_s=0.3)
    assert health["status"] == "ok", health["reason"]
    silent = rows[7]
    assert placed[7][0] - 0.05 < silent["start_s"] < placed[7][0] + 0.8
    assert placed[7][1] - 0.8 < silent["stop_s"] < placed[7][1] + 0.05


def test_spot_tones_one_a_track(tmp_path):
    """The commonest response record, each tone cut 2 % off and none of a described duration."""
    spread = np.random.default_rng(3).uniform(0.98, 1.02, 2 * len(THIRD_OCTAVES_HZ))
    both = [(side, hz) for side in ("left", "right") for hz in THIRD_OCTAVES_HZ]
    cut = side_of(*(tone(m, hz * off, 3.0) for (m, hz), off in zip(both, spread, strict=True)))
    described = without_durations(side_of(*(tone(m, hz) for m, hz in both)))
    rows, health, placed, _ = located(tmp_path, cut, described, gap_s=1.5)
    assert_located(rows, placed)
    assert health["status"] == "ok", health["reason"]


def test_a_sweep_that_goes_on_in_the_next_track(tmp_path):
    cut = side_of(
        sweep("left", 20, 1000, 15.0),
        sweep("left", 1000, 20_000, 15.0, continues=1),
        sweep("right", 20, 1000, 15.0),
        sweep("right", 1000, 20_000, 15.0, continues=3),
    )
    rows, health, placed, _ = located(tmp_path, cut, without_durations(cut))
    assert_located(rows, placed)
    assert health["status"] == "ok", health["reason"]


def test_left_then_right_in_one_track_without_a_gap(tmp_path):
    cut = side_of(tone("left"), tone("right"), sweep("left", s=12.0), sweep("right", s=12.0))
    rows, health, placed, _ = located(tmp_path, cut, without_durations(cut), gap_s=0.0)
    assert_located(rows, placed)
    assert health["status"] == "ok", health["reason"]


@pytest.mark.parametrize("start_hz", [100, 1000])
@pytest.mark.parametrize("described_pilot_s", [None, 2.7])
def test_a_pilot_tone_before_a_sweep(tmp_path, start_hz, described_pilot_s):
    """Also where the sweep begins at the pilot's frequency, so that no change is abrupt."""
    more = {"pilot_hz": 1000, "pilot_s": 3.0}
    cut = side_of(tone("right"), sweep("left", start_hz, 20_000, 18.0, **more), tone("lateral"))
    track = replace(cut.tracks[1], duration_s=15.0, pilot_s=described_pilot_s)
    described = replace(cut, tracks=(cut.tracks[0], track, cut.tracks[2]))
    rows, health, placed, _ = located(tmp_path, cut, described)
    placed[2] = placed[2][0] + 3.0, placed[2][1]
    assert_located(rows, placed, abs_s=0.25)
    assert health["status"] == "ok", health["reason"]


@pytest.mark.parametrize("colour", ["pink", "white"])
@pytest.mark.parametrize("modulation", ["left", "right", "lateral", "vertical"])
def test_noise(tmp_path, colour, modulation):
    noise = {"kind": "noise", "colour": colour, "modulation": modulation, "duration_s": 8.0}
    cut = side_of(tone("left"), noise, tone("right"))
    rows, health, placed, _ = located(tmp_path, cut, without_durations(cut))
    assert_located(rows, placed)
    assert health["status"] == "ok", health["reason"]


def test_noise_in_the_wrong_place_is_not_taken_for_a_tone(tmp_path):
    noise = {"kind": "noise", "colour": "white", "modulation": "left", "duration_s": 8.0}
    cut = side_of(tone("right"), noise, tone("left", 400))
    described = side_of(tone("right"), tone("left", 15_000, 8.0), tone("left", 400))
    rows, _, _, unexpected = located(tmp_path, cut, described)
    assert rows[2]["match"] == "missing"
    assert len(unexpected) == 1


def test_speech_is_located_and_passed_over(tmp_path):
    speech = {"kind": "other", "duration_s": 9.0}
    cut = side_of(speech, tone("left"), speech, tone("right"), speech)
    rows, health, placed, unexpected = located(tmp_path, cut, without_durations(cut), thump_s=None)
    assert_located(rows, placed, [2, 4])
    for number in (1, 3, 5):
        start_s, stop_s = placed[number]
        assert rows[number]["match"] == "found"
        assert start_s - 0.5 < rows[number]["start_s"] < rows[number]["stop_s"] < stop_s + 0.5
    assert unexpected == []
    assert health["status"] == "ok", health["reason"]


def test_speech_that_is_not_there_is_no_fault(tmp_path):
    cut = side_of(tone("left"), tone("right"))
    described = side_of(tone("left"), tone("right"), {"kind": "other"})
    _, health, _, _ = located(tmp_path, cut, described)
    assert health["status"] == "ok", health["reason"]


def test_steps_by_velocity_and_several_bands_of_one_test(tmp_path):
    def steps(**more):
        return {"kind": "amplitude_steps", "modulation": "lateral", "frequency_hz": 315, **more}

    cut = side_of(
        steps(velocities_cm_s=[8, 10, 12.5, 16], step_s=3.0),
        steps(amplitudes_um=[50], step_s=6.0),
        steps(amplitudes_um=[70], step_s=6.0, continues=2),
        steps(amplitudes_um=[90], step_s=6.0, continues=3),
    )
    rows, health, placed, _ = located(tmp_path, cut)
    assert_located(rows, placed)
    assert health["status"] == "ok", health["reason"]


@pytest.mark.parametrize("rpm", [45.0, 78.26])
def test_another_speed_than_that_of_the_record_is_named(tmp_path, rpm):
    """A side for 45 or 78 rpm, played at 33 1/3."""
    speed = 100.0 / 3.0 / rpm
    cut = side_of(tone("left", 1000 * speed, 5 / speed), tone("right", 1000 * speed, 5 / speed),
                  sweep("left", 20 * speed, 15_000 * speed, 12.0 / speed))  # fmt: skip
    described = replace(
        side_of(tone("left"), tone("right"), sweep("left", 20, 15_000, 12)), rpm=rpm
    )
    _, health, _, _ = located(tmp_path, cut, described)
    assert health["status"] == "rejected"
    assert "played at 33.33 rpm" in health["reason"]


@pytest.mark.parametrize("part", [0.3, 0.5, 0.7])
def test_a_needle_that_jumps_within_a_sweep_is_never_ok(tmp_path, part):
    """Wherever it jumps: what is left of the sweep on either side is no whole sweep."""
    cut = side_of(tone("left"), sweep("left", 100, 20_000, 10.0), sweep("right", 100, 20_000, 10.0))
    samples, placed = capture_of(cut.tracks, 1.5, seed=5)
    start_s, stop_s = placed[2]
    first = int((start_s + part * (stop_s - start_s)) * RATE_HZ)
    jumped = np.delete(samples, slice(first, first + int(1.8 * RATE_HZ)), axis=0)
    path = tmp_path / "capture.wav"
    sf.write(path, jumped, RATE_HZ, subtype="FLOAT")
    tracks, health = segment(path, cut, SETTINGS, "one")
    assert health.to_pylist()[0]["status"] == "flagged"
    assert {row["track"]: row["match"] for row in tracks.to_pylist()}[2] == "missing"
