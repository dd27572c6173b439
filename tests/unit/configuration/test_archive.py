"""A good configuration: what comes out of it, and what is worked out on the way."""

import math
import time

import pytest

import make_configuration as good
from grooveledger import plan
from grooveledger.configuration import describe_settings, load
from grooveledger.faults import ConfigurationFaults


def with_captures(folder, *rows, **config):
    """Load the good archive with other rows in the captures' sheet, the given columns only."""
    header = ["capture", "file", "captured_at", "stylus", "record", "side", "chain"]
    more = ["stylus_hours", "record_plays"]
    filled = [
        [f"c{i}", f"{i}.wav", date, stylus, "bench-a", side, "bench", hours, plays]
        for i, (date, stylus, side, hours, plays) in enumerate(rows)
    ]
    text = good.sheet([header + more, *filled])
    good.write(folder, {"config/captures.tsv": text})
    return load({**good.config(), **config}, folder)


def hours(archive):
    return [row["stylus_hours"] for row in archive.captures]


def plays(archive):
    return [row["record_plays"] for row in archive.captures]


def test_a_good_configuration_loads_typed_and_joined(tmp_path):
    archive = load(good.config(), good.write(tmp_path))
    first = archive.captures[0]
    assert first == {
        "capture": "one",
        "file": "one.flac",
        "captured_at": "2024-01-10",
        "stylus": "s1",
        "record": "bench-a",
        "side": "a",
        "chain": "bench",
        "stylus_hours": 2.0,
        "temperature_c": 21.5,
        "record_plays": 0,
        "note": "first",
        "copy": None,
        "cartridge": "mm-one",
    }
    assert hours(archive) == [2.0, 5.5, 12.25, 13.0, 14.0]
    assert plays(archive) == [0, 1, 7, 0, 8]
    assert archive.styli["s1"]["break_in_hours"] == archive.settings["drift"]["break_in_hours"]
    assert archive.styli["s2"]["break_in_hours"] == 20.0


def test_the_views_of_the_plan_take_what_is_loaded(tmp_path):
    archive = load(good.config(), good.write(tmp_path))
    side = plan.Side.from_mapping(archive.sides["bench-a", "a"])
    assert side.calibration == ((2, 1000.0, 0.0), (2, 10000.0, 0.4))
    assert side.response_tolerance_db == 1.0
    assert [track.kind for track in side.tracks] == ["tone", "sweep", "tone", "silent_groove"]
    other = plan.Side.from_mapping(archive.sides["bench-a", "b"])
    assert [track.duration_s for track in other.tracks] == [20.0, 9.0, 15.0, 30.0]
    chain = plan.Chain.from_mapping(archive.chains["bench"])
    assert chain.preamplifier_response == ((20.0, -0.3), (1000.0, 0.0), (20000.0, 0.2))
    assert chain.response_tolerance_db == 0.5
    cartridge = plan.Cartridge.from_mapping(archive.cartridges["mm-one"])
    assert cartridge.static_compliance_um_per_mn == 24.0
    assert cartridge.rated["output_velocity_measure"] == "peak"


def test_copies_of_a_record_have_calibrations_and_plays_of_their_own(tmp_path):
    record = good.RECORD.replace(
        "sides:\n",
        "copies:\n"
        "  old: {}\n"
        "  new: {calibration: config/records/new.tsv, response_tolerance_db: 0.3}\n"
        "sides:\n",
        1,
    )
    header = ["capture", "file", "captured_at", "stylus", "record", "side", "chain", "copy"]
    rows = [
        [f"c{day}", f"c{day}.wav", f"2024-03-{day}", "s1", "bench-a", "a", "bench", copy]
        for day, copy in (("10", "old"), ("11", "new"), ("12", "old"), ("13", "new"))
    ]
    good.write(
        tmp_path,
        {
            "config/records/bench-a.yaml": record,
            "config/records/new.tsv": good.sheet([good.CALIBRATION[0], ["a", "2", "1000", "0.7"]]),
            "config/captures.tsv": good.sheet([header, *rows]),
        },
    )
    archive = load(good.config(), tmp_path)
    assert plays(archive) == [0, 0, 1, 1]
    old, new = (plan.Side.from_mapping(archive.side_of(row)) for row in archive.captures[:2])
    assert old.calibration == ((2, 1000.0, 0.0), (2, 10000.0, 0.4))
    assert new.calibration == ((2, 1000.0, 0.7),)
    assert (old.response_tolerance_db, new.response_tolerance_db) == (1.0, 0.3)
    assert old.tracks == new.tracks


def test_steps_by_velocity_are_steps_by_amplitude():
    steps = {"track": 1, "kind": "amplitude_steps", "frequency_hz": 300.0, "step_s": 2.0}
    amplitude_um = 50.0
    velocity_cm_s = 2 * math.pi * 300.0 * amplitude_um * 1e-4  # peak velocity of a sine
    for measure, velocity in (("peak", velocity_cm_s), ("rms", velocity_cm_s / math.sqrt(2.0))):
        stated = {**steps, "velocities_cm_s": [velocity], "velocity_measure": measure}
        track = plan.Track.from_mapping(stated)
        assert track.amplitudes_um == pytest.approx((amplitude_um,))
        assert track.duration_s == 2.0


def test_defaults_fill_what_a_person_leaves_out(tmp_path):
    config = good.config()
    del config["playing_log"]
    good.write(
        tmp_path,
        {
            "config/cartridges.yaml": "mm-one: {principle: moving_iron}\n",
            "config/captures.tsv": good.sheet([row[:8] for row in good.CAPTURES[:2]]),
        },
    )
    archive = load(config, tmp_path)
    assert archive.settings["mains_hz"] == 50.0
    assert archive.settings["noise"]["reference_velocity_cm_s"] == 5.0
    assert archive.captures[0]["temperature_c"] is None
    assert plan.Cartridge.from_mapping(archive.cartridges["mm-one"]).rated == {}


def test_a_block_left_empty_takes_its_defaults(tmp_path):
    good.write(tmp_path)
    archive = load({**good.config(), "noise": None}, tmp_path)
    assert archive.settings["noise"]["reference_velocity_cm_s"] == 5.0


def test_four_and_four_point_nought_are_one_setting(tmp_path):
    good.write(tmp_path)
    whole = load({**good.config(), "noise": {"reference_velocity_cm_s": 4}}, tmp_path)
    real = load({**good.config(), "noise": {"reference_velocity_cm_s": 4.0}}, tmp_path)
    assert repr(whole.settings) == repr(real.settings)


def test_sheets_may_be_empty_but_for_the_header(tmp_path):
    archive = with_captures(tmp_path)
    assert archive.captures == ()


def test_long_names_work_as_far_as_file_systems_take_them(tmp_path):
    name = "x" * 251 + ".wav"
    text = good.sheet(good.CAPTURES)
    good.write(tmp_path, {"config/captures.tsv": text.replace("one.flac", f"folder/{name}")})
    assert load(good.config(), tmp_path).captures[0]["file"].endswith(name)
    good.write(tmp_path, {"config/captures.tsv": text.replace("one.flac", f"x{name}")})
    with pytest.raises(ConfigurationFaults, match="255 bytes"):
        load(good.config(), tmp_path)


def test_absolute_paths_do(tmp_path):
    good.write(tmp_path)
    config = {
        key: str(tmp_path / value) if isinstance(value, str) else value
        for key, value in good.config().items()
    }
    chains = good.CHAINS.replace("config/response", f"{tmp_path}/config/response")
    record = good.RECORD.replace("config/records/", f"{tmp_path}/config/records/")
    good.write(tmp_path, {"config/chains.yaml": chains, "config/records/bench-a.yaml": record})
    assert len(load(config, tmp_path / "elsewhere").captures) == 5


class TestHours:
    def test_the_log_counts_from_fitting_to_the_day_before(self, tmp_path):
        # s1: 100 h the day before fitting, 2 h on that day, 3.5 h on 9 and 50 h on 10 February.
        archive = with_captures(
            tmp_path,
            ("2024-01-06", "s1", "a", "", ""),
            ("2024-01-07", "s1", "a", "", ""),
            ("2024-02-10T23:59", "s1", "a", "", ""),
            ("2024-02-11T00:01", "s1", "a", "", ""),
            ("2024-03-01", "s2", "a", "", ""),
        )
        assert hours(archive) == [0.0, 2.0, 5.5, 55.5, 10.0]

    def test_hours_of_a_stylus_that_the_log_does_not_name_are_unknown(self, tmp_path):
        """Never those of fitting: it may have played any number since."""
        archive = with_captures(
            tmp_path, ("2024-03-01", "s2", "a", "", ""), ("2024-03-09", "s2", "a", "", "")
        )
        assert hours(archive) == [10.0, None]

    def test_hours_without_a_log_are_unknown(self, tmp_path):
        good.write(tmp_path)
        config = {key: value for key, value in good.config().items() if key != "playing_log"}
        assert hours(load(config, tmp_path)) == [2.0, None, 12.25, 13.0, 14.0]

    def test_typed_hours_win_over_the_log(self, tmp_path):
        assert hours(with_captures(tmp_path, ("2024-02-11", "s1", "a", "60", ""))) == [60.0]

    def test_hours_may_be_shuffled_within_a_day_without_times(self, tmp_path):
        archive = with_captures(
            tmp_path,
            ("2024-02-11", "s1", "a", "61", ""),
            ("2024-02-11", "s1", "a", "60", ""),
            ("2024-02-12", "s1", "a", "61", ""),
        )
        assert hours(archive) == [61.0, 60.0, 61.0]

    def test_hours_must_not_be_shuffled_within_a_day_with_times(self, tmp_path):
        with pytest.raises(ConfigurationFaults, match=r"row 3, stylus_hours: 60 h on s1 is less"):
            with_captures(
                tmp_path,
                ("2024-02-11T10:00", "s1", "a", "61", ""),
                ("2024-02-11T11:00", "s1", "a", "60", ""),
            )

    def test_a_day_with_fewer_hours_than_any_day_before_is_told(self, tmp_path):
        with pytest.raises(ConfigurationFaults, match="earlier capture in row 4") as raised:
            with_captures(
                tmp_path,
                ("2024-02-13", "s1", "a", "60", ""),
                ("2024-02-11", "s1", "a", "61", ""),
                ("2024-02-12", "s1", "a", "61", ""),
            )
        assert len(raised.value.faults) == 1


class TestRecordPlays:
    def test_earlier_captures_of_the_side_are_counted_by_date(self, tmp_path):
        archive = with_captures(
            tmp_path,
            ("2024-02-13", "s1", "a", "63", ""),
            ("2024-02-11", "s1", "a", "61", ""),
            ("2024-02-12", "s1", "b", "62", ""),
            ("2024-03-14", "s2", "a", "10", ""),
        )
        assert plays(archive) == [1, 0, 0, 2]

    def test_counting_goes_on_from_a_typed_figure(self, tmp_path):
        archive = with_captures(
            tmp_path,
            ("2024-03-11", "s2", "a", "11", "40"),
            ("2024-03-12", "s2", "a", "12", ""),
            ("2024-03-12", "s2", "a", "12", ""),
        )
        assert plays(archive) == [40, 41, 42]


def test_a_capture_file_that_is_not_there_is_no_fault(tmp_path):
    assert not (tmp_path / "captures").exists()
    assert load(good.config(), good.write(tmp_path)).captures[0]["file"] == "one.flac"


def test_ten_thousand_captures_load_in_a_second(tmp_path):
    rows = [
        [f"c{i}", f"folder/{i}.flac", f"20{10 + i // 1000}-{1 + i // 84 % 12:02d}-01",
         "s3", "bench-a", "ab"[i % 2], "bench", "", f"{20 + i % 50 / 10}", "", ""]
        for i in range(10_000)
    ]  # fmt: skip
    styli = [*good.STYLI, ["s3", "mm-one", "2000-01-01", "0", "", ""]]
    good.write(
        tmp_path,
        {
            "config/captures.tsv": good.sheet([good.CAPTURES[0], *rows]),
            "config/styli.tsv": good.sheet(styli),
        },
    )
    start = time.process_time()
    archive = load(good.config(), tmp_path)
    assert time.process_time() - start < 1.0
    assert len(archive.captures) == 10_000


def test_every_setting_is_described_with_its_default():
    settings = {key: (default, text) for key, default, text in describe_settings()}
    assert settings["noise.reference_velocity_cm_s"][0] == 5
    assert settings["mains_hz"][0] == 50
    assert all(text.strip() for _, text in settings.values())
