"""Small archives, the demo's configuration, and damage."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
import soundfile as sf
import yaml

import damage
from grooveledger.configuration import Archive, load
from grooveledger.simulate import Conditions, write_capture
from grooveledger.simulate.archives import small_archive, small_side
from grooveledger.simulate.demo import LIVES, UNREADABLE, demo_truth, write_demo_capture
from grooveledger.simulate.demo_archive import make_demo

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def demo() -> Archive:
    config = yaml.safe_load((ROOT / "config" / "config.yaml").read_text(encoding="utf-8"))
    return load(config, ROOT)


def test_a_small_archive_is_a_whole_one(tmp_path: Path) -> None:
    made = small_archive(tmp_path, captures=2, sides=("a", "b"))
    archive = load(yaml.safe_load(made.config.read_text(encoding="utf-8")), tmp_path / "elsewhere")
    assert [row["capture"] for row in archive.captures] == ["c01", "c02"] == list(made.truths)
    for path, truth in zip(made.captures, made.truths.values(), strict=True):
        info = sf.info(path)
        assert info.duration == pytest.approx(truth.duration_s, abs=1e-3)
        assert (info.samplerate, info.channels) == (48_000, 2)


def test_the_demo_is_what_it_is_said_to_be(demo: Archive) -> None:
    days = {row["captured_at"][:10] for row in demo.captures}
    assert len(days) >= 8
    assert len(demo.styli) >= 3
    assert len({row["cartridge"] for row in demo.captures}) == 2
    assert len({row["chain"] for row in demo.captures}) == 2
    assert set(LIVES) == set(demo.styli)
    assert {row["capture"] for row in demo.captures} > UNREADABLE


def test_the_demo_s_distortion_is_typical(demo: Archive) -> None:
    # common practice: about 0.5 % at 100 Hz, 1 to 2 % near 1 kHz, about 3 % at 5 kHz and 5 to 8 %
    # at 10 kHz, second harmonic dominant
    row = next(row for row in demo.captures if row["capture"] == "2023-04-15-b")
    truth, _ = demo_truth(demo, row)
    hz = np.array([100.0, 1000.0, 5000.0, 10000.0])
    thd = truth.thd_pct(1, "left", hz, order_max=2)
    assert 0.4 < thd[0] < 0.6
    assert 1.0 < thd[1] < 2.0
    assert 2.5 < thd[2] < 3.6
    assert 5.0 < thd[3] < 8.0
    harmonics = truth.harmonics_pct(1, "left", hz)
    assert np.all(harmonics[0] > 2.0 * harmonics[1:].max(axis=0))


def test_the_demo_s_stylus_wears(demo: Archive) -> None:
    sides = [row for row in demo.captures if row["stylus"] == "mm-one-1" and row["side"] == "a"]
    early, late = (demo_truth(demo, row)[0] for row in (sides[1], sides[-1]))
    treble = [truth.response_db(5, "left", [15_000.0])[0] for truth in (early, late)]
    apart = [truth.separation(5, [10_000.0])[0][0] for truth in (early, late)]
    assert treble[1] < treble[0] - 1.0
    assert apart[1] < apart[0] - 2.0


def test_an_unreadable_file_is_no_audio(demo: Archive, tmp_path: Path) -> None:
    row = next(row for row in demo.captures if row["capture"] in UNREADABLE)
    write_demo_capture(demo, row, tmp_path / "x.flac")
    with pytest.raises(sf.SoundFileError):
        sf.SoundFile(tmp_path / "x.flac")


def test_only_what_is_missing_of_the_demo_is_made(tmp_path: Path) -> None:
    config = yaml.safe_load((ROOT / "config" / "config.yaml").read_text(encoding="utf-8"))
    sheet = (ROOT / config["captures"]).read_text(encoding="utf-8").splitlines()
    wanted = ("2024-05-18-two-b", "2024-10-05-two-b")
    rows = [sheet[0], *(line for line in sheet if line.startswith(wanted))]
    (tmp_path / "captures.tsv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    config["captures"] = str(tmp_path / "captures.tsv")
    config["captures_dir"] = str(tmp_path / "recordings")
    lines: list[str] = []
    with ThreadPoolExecutor(1) as pool:
        assert make_demo(config, ROOT, pool, lines.append) == len(lines) == 2
        before = {path.name: path.stat().st_mtime_ns for path in tmp_path.glob("recordings/*")}
        assert make_demo(config, ROOT, pool, lines.append) == 0
    assert before == {path.name: path.stat().st_mtime_ns for path in tmp_path.glob("recordings/*")}
    assert set(before) == {"truth.parquet", *(f"{name}.flac" for name in wanted)}
    truth = pq.read_table(tmp_path / "recordings" / "truth.parquet")
    assert truth.schema.metadata[b"note"].startswith(b"invented")
    assert set(truth.column("capture").to_pylist()) == {"2024-10-05-two-b"}


@pytest.mark.parametrize("ending", [".wav", ".rf64", ".w64", ".aiff", ".flac", ".caf"])
def test_every_format_holds_the_same_samples(ending: str, tmp_path: Path) -> None:
    samples = np.random.default_rng(5).uniform(-1.0, 1.0, (500, 2))
    write_capture(tmp_path / f"x{ending}", samples, 44_100)
    read, rate = sf.read(tmp_path / f"x{ending}")
    assert rate == 44_100
    assert np.max(np.abs(read - samples)) <= 2.0**-23
    assert [path.name for path in tmp_path.iterdir()] == [f"x{ending}"]


def test_damage_to_samples() -> None:
    rate = 8_000
    samples = np.random.default_rng(6).uniform(-0.5, 0.5, (5 * rate, 2))
    untouched = samples.copy()
    turn = round(1.8 * rate)
    assert damage.mono(samples).shape == (5 * rate, 1)
    assert np.isnan(damage.not_a_number(samples)).sum() == 20
    assert not damage.silent(samples).any()
    assert np.array_equal(damage.channels_exchanged(samples)[:, 0], samples[:, 1])
    assert not damage.dead_channel(samples, "right")[:, 1].any()
    assert not damage.late_needle(samples, rate, 2.0)[: 2 * rate].any()
    assert len(damage.cut_short(samples, rate, 3.5)) == 3.5 * rate
    locked = damage.locked_groove(samples, rate, 1.0, repeats=3)
    assert len(locked) == len(samples) + 3 * turn
    assert np.array_equal(locked[rate : rate + turn], locked[rate + turn : rate + 2 * turn])
    assert len(damage.skip(samples, rate, 1.0)) == len(samples) - turn
    burst = damage.bursts(samples, rate, (1.0, 4.8), peak=0.3) - samples
    assert np.max(np.abs(burst)) == pytest.approx(0.3, rel=1e-2)
    assert np.max(np.abs(damage.louder(samples, 40.0))) == 1.0
    assert np.mean(damage.offset(samples, 0.2)) == pytest.approx(0.2, abs=0.01)
    assert np.array_equal(samples, untouched)


def test_damage_to_files_sides_and_conditions(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    path.write_bytes(bytes(1000))
    damage.truncate_file(path, keep=0.3)
    assert path.stat().st_size == 300
    side = small_side("a")
    assert [t.track for t in damage.track_twice(side, 2).tracks] == [1, 2, 2, 3, 4, 5, 6]
    assert [t.track for t in damage.track_left_out(side, 2).tracks] == [1, 3, 4, 5, 6]
    assert damage.gaps_of(side, 1.0).gap_s == 1.0
    assert damage.at_45(Conditions()).speed_error_pct == pytest.approx(100 * (45 / (100 / 3) - 1))
    assert damage.loud_hum(Conditions()).hum_db == -12.0
