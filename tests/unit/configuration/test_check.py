"""What a check says of a configuration."""

import dataclasses

import numpy as np
import pytest
import soundfile as sf

import make_configuration as good
from grooveledger import plan
from grooveledger.configuration import check, load


@pytest.fixture
def archive(tmp_path):
    return load(good.config(), good.write(tmp_path))


def side_of(archive, side):
    return plan.Side.from_mapping(archive.sides["bench-a", side])


def test_a_side_gives_what_its_tracks_allow(archive):
    uses = {use.measure: str(use).strip() for use in check.side_uses(side_of(archive, "a"))}
    assert uses["level"] == "level: track 1 (left, 1000 Hz)"
    assert uses["response"] == "response: track 2 (left, 500 to 40000 Hz)"
    assert uses["noise"] == "noise: track 4 (30 s)"
    assert uses["resonance"].startswith("no resonance: it needs a lateral or vertical sweep")


def test_a_track_kept_for_another_purpose_is_named(archive):
    side = side_of(archive, "a")
    only_speed = plan.Side("r", "a", 33.3333, 4.0, (side.track(3),))
    uses = {use.measure: str(use) for use in check.side_uses(only_speed)}
    assert uses["level"].endswith("(track 3 is kept for speed)")


def test_a_falling_sweep_is_spoken_in_its_own_direction(archive):
    spoken = check.spoken(side_of(archive, "b").track(4))
    assert spoken == "track 4 (vertical, 25 to 4 Hz)"


def test_the_report_names_files_styli_and_sides(archive, tmp_path):
    lines = check.report(archive, tmp_path)
    assert lines[0] == "The configuration is sound: 5 captures, 2 styli, 2 record sides."
    assert lines[1] == "There is no folder captures yet: no file can be read."
    (tmp_path / "captures").mkdir()
    sf.write(tmp_path / "captures" / "one.flac", np.zeros((100, 2)), 48_000)
    sf.write(tmp_path / "captures" / "new.flac", np.zeros((100, 2)), 48_000)
    lines = check.report(archive, tmp_path)
    assert "rejected: sub/two.wav, three.wav, four.wav, five.wav" in lines[1]
    assert lines[2].endswith("new.flac")
    assert "Stylus s2 (mm-one): 3 captures, 2024-03-10 to 2024-03-12, 12.25 to 14 h" in lines
    assert "Record bench-a, side b: 1 capture" in lines


def test_captures_of_several_days_at_the_same_hours_are_told(archive, tmp_path):
    """An empty playing log leaves all captures at the hours of fitting."""
    rows = tuple({**row, "stylus_hours": 0.0} for row in archive.captures)
    lines = check.report(dataclasses.replace(archive, captures=rows), tmp_path)
    place = next(i for i, line in enumerate(lines) if line.startswith("Stylus s2"))
    assert lines[place].endswith("2024-03-12, 0 h")
    assert "nothing can be followed" in lines[place + 1]


def test_a_track_that_serves_nothing_is_told(tmp_path):
    record = good.RECORD.replace("3150", "300")
    archive = load(good.config(), good.write(tmp_path, {"config/records/bench-a.yaml": record}))
    assert "    track 3 (lateral, 300 Hz) serves no measure" in check.report(archive, tmp_path)


def test_unknown_hours_are_named(archive, tmp_path):
    rows = [{**row, "stylus_hours": None} for row in archive.captures[:3]]
    rows[0]["stylus_hours"] = 4.0
    lines = check.report(dataclasses.replace(archive, captures=tuple(rows)), tmp_path)
    assert "Stylus s1 (mm-one): 2 captures, 2024-01-10 to 2024-02-10, 4 h" in lines
    assert "    hours unknown in 1 capture of these" in lines
    assert "Stylus s2 (mm-one): 1 capture, 2024-03-10, hours unknown" in lines


def test_figures_out_of_their_usual_range_are_named(tmp_path):
    """Grams for millinewtons, kilohms for ohms, kilohertz for hertz."""
    load_ohm = "input_resistance_ohm: 47000"
    changed = {
        "config/cartridges.yaml": good.CARTRIDGES.replace("mn: 18.0", "mn: 1.8"),
        "config/chains.yaml": good.CHAINS.replace(load_ohm, f"{load_ohm}0"),
        "config/records/bench-a.yaml": good.RECORD.replace("[100, 1000, 10000]", "[1, 10, 1000]")
        .replace("hz: 3150", "hz: 3140"),
    }  # fmt: skip
    archive = load(good.config(), good.write(tmp_path, changed))
    lines = check.report(archive, tmp_path)
    first = lines.index("Unusual, so worth a second look:")
    assert lines[first + 1 : first + 5] == [
        "    cartridge mm-one, tracking_force_mn 1.8: usual is 5 to 50 mN; 1 gf is 9.81 mN",
        "    chain bench, preamplifier.input_resistance_ohm 470000: usual is 5 to 150000 ohm; 47 "
        "kilohms are 47000",
        "    bench-a a track 3, frequency_hz 3140: the usual speed tone is 3150 Hz",
        "    bench-a b track 2, frequencies_hz 1: usual is 4 to 50000 Hz; kilohertz are thousands "
        "of these",
    ]


def test_nothing_usual_is_named(archive, tmp_path):
    assert "Unusual, so worth a second look:" not in check.report(archive, tmp_path)
