"""An archive of everything that goes wrong with captures, measured by the whole workflow."""

import os
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
import yaml

import damage
from grooveledger.plan import Side
from grooveledger.simulate.archives import CONDITIONS, small_archive, small_chain
from grooveledger.simulate.capture import simulate_capture
from grooveledger.simulate.stylus import StylusTruth
from grooveledger.simulate.truth import CaptureTruth
from grooveledger.storage import tables
from workspace import Workspace, copy_project

RATE_HZ = 44_100
RECORD = {
    "record": "short",
    "rpm": 33.3333,
    "response_tolerance_db": 1.0,
    "sides": {
        "a": {
            "gap_s": 1.6,
            "tracks": [
                {"track": 1, "kind": "tone", "modulation": "left", "frequency_hz": 1000,
                 "velocity_cm_s": 3.5, "duration_s": 4},
                {"track": 2, "kind": "tone", "modulation": "right", "frequency_hz": 1000,
                 "velocity_cm_s": 3.5, "duration_s": 4},
                {"track": 3, "kind": "sweep", "modulation": "left", "start_hz": 100,
                 "stop_hz": 15000, "recorded": "iec98", "velocity_cm_s": 1.0, "duration_s": 7},
                {"track": 4, "kind": "silent_groove", "duration_s": 4},
                {"track": 5, "kind": "tone", "purpose": "speed", "modulation": "lateral",
                 "frequency_hz": 3150, "velocity_cm_s": 3.0, "duration_s": 4},
            ],
        },
        "b": {
            "gap_s": 1.6,
            "tracks": [
                {"track": 1, "kind": "tone_steps", "modulation": "lateral", "velocity_cm_s": 4,
                 "frequencies_hz": [300, 2000, 8000], "step_s": 1.5},
                {"track": 2, "kind": "two_tone", "modulation": "lateral",
                 "frequencies_hz": [400, 4000], "ratio": 4, "velocity_cm_s": 6, "duration_s": 3},
            ],
        },
    },
}  # fmt: skip
PLAYED = replace(CONDITIONS, needle_drop_s=1.5)
#: Of another label: nothing of it is on the sides above.
STRANGER = {
    "record": "stranger",
    "rpm": 33.3333,
    "sides": {"a": {"gap_s": 1.6, "tracks": [
        {"track": i, "kind": "tone", "modulation": "lateral", "frequency_hz": hz,
         "velocity_cm_s": 4, "duration_s": 3} for i, hz in ((1, 440), (2, 5000), (3, 180))]}},
}  # fmt: skip
ALL = [1, 2, 3, 4, 5]
#: One of these tells what to do.
REMEDY = re.compile(
    r"capture again|copy (it|the file) again|convert it|put it in|record (both|at)|"
    r"set the speed|(correct|check) record and side|exchange the cables|set invert|"
    r"check the converter|raise the recording gain|let the recorder run|read it as raw|"
    r"nothing to do"
)


def side(record: Mapping, name: str) -> Side:
    return Side.from_mapping({**record, **record["sides"][name], "side": name})


class Sounds:
    """The good capture of side a, and others that are simulated differently."""

    side = side(RECORD, "a")

    @cached_property
    def _good(self) -> tuple[np.ndarray, CaptureTruth]:
        return simulate_capture(self.side, StylusTruth(), small_chain(), PLAYED, RATE_HZ, 1)

    @property
    def good(self) -> np.ndarray:
        return self._good[0]

    def at(self, track: int, after_s: float) -> float:
        """A time so long after a track's beginning, or before its end where negative."""
        placed = self._good[1].placed(track)
        return (placed.start_s if after_s >= 0.0 else placed.stop_s) + after_s

    def of(self, played: Side | None = None, **conditions: float) -> np.ndarray:
        played_so = replace(PLAYED, **conditions)
        one = simulate_capture(
            played or self.side, StylusTruth(), small_chain(), played_so, RATE_HZ, 1
        )
        return one[0]

    def clipped(self) -> np.ndarray:
        """The loudest track alone is too loud."""
        at = int(self.at(5, 1.0) * RATE_HZ)
        loudest = np.abs(self.good[at : at + RATE_HZ]).max()
        return damage.louder(self.good, float(0.3 - 20.0 * np.log10(loudest)))

    def gated(self) -> np.ndarray:
        """Digital silence but for the tracks."""
        gated = np.zeros_like(self.good)
        for placed in map(self._good[1].placed, (1, 2, 3, 5)):
            first, last = placed.start_s - 0.1, placed.stop_s + 0.1
            part = slice(int(first * RATE_HZ), int(last * RATE_HZ))
            gated[part] = self.good[part]
        return gated

    def lost(self) -> np.ndarray:
        at = int(self.at(2, 1.0) * RATE_HZ)
        return np.concatenate([self.good[:at], np.zeros((RATE_HZ // 2, 2)), self.good[at:]])


@dataclass(frozen=True)
class Bad:
    """How a capture is made; its status, what its reason must name, and the tracks found."""

    make: Callable[[Sounds], np.ndarray | None]
    status: str
    seen: str
    found: list[int]
    rate_hz: int = RATE_HZ
    ending: str = ".wav"
    subtype: str = "PCM_24"
    after: Callable[[Path], None] = lambda path: None


def emptied(path: Path) -> None:
    path.write_bytes(b"")


def text(path: Path) -> None:
    path.write_text("Dear diary, today I recorded side a.\n" * 50)


def halved(path: Path) -> None:
    damage.truncate_file(path, 0.45)


def unfinished(path: Path) -> None:
    """The length in the header was to be filled in at the end."""
    content = bytearray(path.read_bytes())
    size = content.index(b"data") + 4
    content[size : size + 4] = bytes(4)
    path.write_bytes(content)


def flagged(make, seen, found=ALL, **facts) -> Bad:
    return Bad(make, "flagged", seen, found, **facts)


def rejected(make, seen, **facts) -> Bad:
    return Bad(make, "rejected", seen, [], **facts)


def good(sounds: Sounds) -> np.ndarray:
    return sounds.good


def infinite(sounds: Sounds) -> np.ndarray:
    damaged = sounds.good.copy()
    damaged[RATE_HZ, 0] = np.inf
    return damaged


BAD = {
    "good": Bad(good, "ok", "^$", ALL),
    "no-file": rejected(lambda s: None, "no-file.wav not found"),
    "zero-bytes": rejected(good, "0 bytes", after=emptied),
    "no-samples": rejected(lambda s: s.good[:0], "holds no samples"),
    "not-audio": rejected(good, "can't be read as audio", after=text),
    "unfinished": rejected(good, "recorder did not finish it", after=unfinished),
    "truncated-wav": flagged(good, "decoding stops at .* promises: copy .* no tracks 3, 5 ", [1, 2],
                             after=halved),
    "truncated-flac": flagged(good, "decoding stops at .* promises", [1, 2], after=halved,
                              ending=".flac"),
    "mono": rejected(lambda s: damage.mono(s.good), "1 channel"),
    "three-channels": rejected(lambda s: np.hstack([s.good, s.good[:, :1]]), "3 channel"),
    "not-a-number": rejected(lambda s: damage.not_a_number(s.good), "not a finite number",
                             subtype="FLOAT"),
    "infinite": rejected(infinite, "1.00 s is not a finite number", subtype="FLOAT"),
    "integers-as-floats": rejected(lambda s: 2**23 * s.good, "times full scale", subtype="FLOAT"),
    "digital-silence": rejected(lambda s: damage.silent(s.good), "every sample is zero"),
    "noise": rejected(lambda s: np.random.default_rng(0).normal(0, 1e-4, s.good.shape),
                      "only noise"),
    "8-khz": rejected(lambda s: s.good[::6], "sampled at 8000 Hz", rate_hz=8000),
    "clipped": flagged(lambda s: s.clipped(), "clipped: .* in tracks? "),
    "offset": flagged(lambda s: damage.offset(s.good, 0.1), "DC offset of 10.0 %"),
    "wrong-side": rejected(lambda s: s.of(side(RECORD, "b")), "fits side b of short .* better"),
    "wrong-record": rejected(lambda s: s.of(side(STRANGER, "a")), "does not look like side a"),
    "exchanged": flagged(lambda s: damage.channels_exchanged(s.good), "left and right are exch"),
    "left-dead": flagged(lambda s: damage.dead_channel(s.good, "left"), "the left channel", [2, 5]),
    "right-dead": flagged(lambda s: damage.dead_channel(s.good, "right"), "the right channel",
                          [1, 3, 4, 5]),
    "inverted": flagged(lambda s: s.good * [1.0, -1.0], "polarity is inverted"),
    "at-45": rejected(lambda s: s.of(speed_error_pct=damage.AT_45_PCT), "played at 45 rpm"),
    "needle-late": flagged(lambda s: damage.late_needle(s.good, RATE_HZ, s.at(1, -0.1) + 0.6),
                           "no track 1 before .* came down late", [2, 3, 4, 5]),
    "cut-short": flagged(lambda s: damage.cut_short(s.good, RATE_HZ, s.at(5, 3.0)),
                         "track 5 is cut off by the end"),
    "skip": flagged(lambda s: damage.skip(s.good, RATE_HZ, s.at(2, 0.6)), "track 2 lasts .* skip"),
    "skip-in-sweep": flagged(lambda s: damage.skip(s.good, RATE_HZ, s.at(3, 3.0)),
                             "track 3 can't be measured, the needle jumped", [1, 2, 4, 5]),
    "locked-groove": flagged(lambda s: damage.locked_groove(s.good, RATE_HZ, s.at(2, 0.6), 4),
                             "track 2 lasts .* a locked groove"),
    "played-twice": flagged(lambda s: s.of(damage.track_twice(s.side, 2)), "track 2 again"),
    "left-out": flagged(lambda s: s.of(damage.track_left_out(s.side, 2)), "no track 2: skipped",
                        [1, 3, 4, 5]),
    "bursts": flagged(lambda s: damage.bursts(s.good, RATE_HZ, (s.at(1, -0.1) + 0.5,)),
                      "sound that is not planned from"),
    "short-gaps": Bad(lambda s: s.of(damage.gaps_of(s.side, 1.0)), "ok", "^$", ALL),
    "hum": flagged(lambda s: s.of(hum_db=-12.0), "hum at -.* is as loud as"),
    "40-db-low": flagged(lambda s: damage.louder(s.good, -40.0), "raise the recording gain"),
    "40-db-high": rejected(lambda s: damage.louder(s.good, 40.0), "clipped: .* lower the"),
    "samples-lost": flagged(lambda s: s.lost(), "digital silence from .* recorder lost samples"),
    "gated": flagged(lambda s: s.gated(), "digital silence between the tracks", [1, 2, 3, 5]),
}  # fmt: skip


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """Every bad capture, measured in one run."""
    root = tmp_path_factory.mktemp("bad")
    folder = root / "archive"
    small_archive(folder, captures=0)
    for record in (RECORD, STRANGER):
        (folder / f"records/{record['record']}.yaml").write_text(yaml.safe_dump(record))
    (folder / "captures").mkdir()
    sounds = Sounds()
    columns = "capture file captured_at stylus record side chain stylus_hours"
    lines = [columns.split(" ")]
    for i, (name, bad) in enumerate(BAD.items()):
        path = folder / "captures" / (name + bad.ending)
        samples = bad.make(sounds)
        if samples is not None:
            sf.write(path, samples, bad.rate_hz, subtype=bad.subtype)
            bad.after(path)
        day = f"2024-{1 + i // 28:02d}-{1 + i % 28:02d}"
        lines.append([name, path.name, day, "s1", "short", "a", "bench", str(10 * i)])
    (folder / "captures.tsv").write_text("\n".join("\t".join(line) for line in lines) + "\n")
    workspace = Workspace(copy_project(root / "project"), folder)
    workspace.run(str(workspace.results / "tables/metrics.parquet"))
    return workspace


@pytest.fixture(scope="module")
def captures(archive: Workspace) -> dict[str, dict]:
    rows = tables.read(archive.results / "tables/captures.parquet").to_pylist()
    return {row["capture"]: row for row in rows}


@pytest.fixture(scope="module")
def found(archive: Workspace) -> dict[str, list[int]]:
    rows = tables.read(archive.results / "tables/tracks.parquet").to_pylist()
    return {
        name: [row["track"] for row in rows if (row["capture"], row["match"]) == (name, "found")]
        for name in BAD
    }


@pytest.mark.parametrize("name", BAD)
def test_each_is_told(captures, found, name):
    bad, row = BAD[name], captures[name]
    assert row["status"] == bad.status, row["reason"]
    assert re.search(bad.seen, row["reason"] or ""), row["reason"]
    assert found[name] == bad.found
    if bad.status != "ok":
        for flag in re.split(r"; (?=track \d|no track|the \w+ channel)", row["reason"]):
            assert REMEDY.search(flag), flag
    assert os.sep not in row["reason"].replace("and/or", "")


def test_what_can_be_measured_is(archive, found):
    """A found tone has a level, that of the good capture where nothing was done to it."""
    rows = tables.read(archive.results / "tables/level.parquet").to_pylist()
    levels_mv = {(row["capture"], row["track"], row["channel"]): row["output_mv"] for row in rows}
    for name in BAD:
        measured = {(track, side) for capture, track, side in levels_mv if capture == name}
        tones = {(1, "left"), (2, "right")}
        assert measured & tones == {tone for tone in tones if tone[0] in found[name]}, name
    for name, track in (
        ("truncated-wav", 1), ("truncated-flac", 2), ("offset", 1), ("right-dead", 1),
        ("needle-late", 2), ("cut-short", 1), ("skip", 1), ("bursts", 2), ("hum", 1),
        ("40-db-low", 1), ("samples-lost", 1),
    ):  # fmt: skip
        channel = {1: "left", 2: "right"}[track]
        level_mv = levels_mv[name, track, channel]
        expected_mv = levels_mv["good", track, channel] / (100.0 if name == "40-db-low" else 1.0)
        assert level_mv == pytest.approx(expected_mv, rel=0.01), name


def test_a_rejected_capture_has_no_figures(archive):
    rejected = {name for name, bad in BAD.items() if bad.status == "rejected"}
    for path in sorted((archive.results / "tables").glob("*.parquet")):
        rows = tables.read(path)
        if path.stem != "captures" and "capture" in rows.column_names:
            assert not rejected & set(rows["capture"].to_pylist()), path.stem
