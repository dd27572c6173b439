"""New recordings are appended to the captures' sheet; what was typed stays."""

import datetime
import os
import shutil

import numpy as np
import pytest
import soundfile as sf
import yaml

import make_configuration as good
from grooveledger.configuration import load, read_config
from grooveledger.configuration import register as module
from grooveledger.configuration.notes import read_notes
from grooveledger.configuration.register import register, summary
from grooveledger.faults import ConfigurationFaults
from grooveledger.simulate.archives import small_archive

HEADER = "\t".join(good.CAPTURES[0])


class Archive:
    """The good archive with recordings; listening is left out or replaced."""

    def __init__(self, folder, sheet, *files, **settings):
        self.folder = folder
        self.sheet = folder / "config" / "captures.tsv"
        good.write(folder, {"config/captures.tsv": sheet})
        config = {**good.config(), **settings}
        (folder / "config.yaml").write_text(yaml.safe_dump(config))
        (folder / "captures").mkdir(exist_ok=True)
        self.add(*files)

    def add(self, *files):
        for file in files:
            path = self.folder / "captures" / file
            path.parent.mkdir(parents=True, exist_ok=True)
            sf.write(path, np.zeros((4800, 2)), 48_000)

    def register(self, listen=False, write=True, notes=None):
        self.told = []
        config_file = self.folder / "config.yaml"
        self.registered = register(config_file, self.folder, self.told.append, listen, write, notes)
        return self.registered.entries

    def rows(self):
        lines = self.sheet.read_text(encoding="utf-8-sig").splitlines()
        return [dict(zip(lines[0].split("\t"), line.split("\t"), strict=False)) for line in lines]


PATTERN = {"register": {"patterns": ["{captured_at}_{stylus}_{side}"]}}


def test_rows_are_filled_from_the_name_and_appended_by_date(tmp_path):
    files = ("2024-03-05_s2_a.flac", "2024-03-04_s2_b.flac")
    archive = Archive(tmp_path, good.sheet(good.CAPTURES[:1]), *files, **PATTERN)
    entries = archive.register()
    assert [entry.cells["capture"] for entry in entries] == ["2024-03-04_s2_b", "2024-03-05_s2_a"]
    row = archive.rows()[2]
    assert row["captured_at"] == "2024-03-05"
    assert (row["stylus"], row["side"]) == ("s2", "a")
    # Only one record and one chain are described.
    assert (row["record"], row["chain"]) == ("bench-a", "bench")
    assert all(not entry.missing for entry in entries)
    assert load(read_config(tmp_path / "config.yaml"), tmp_path).captures[0]["stylus_hours"] is None


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("last", ["", "END"])
def test_what_was_typed_stays_to_the_byte(ending, mark, last, tmp_path):
    typed = "# mine\n\n" + good.sheet(good.CAPTURES).replace("first", '"odd ""note"""')
    typed = typed.rstrip("\n").replace("\n", ending) + last.replace("END", ending)
    archive = Archive(tmp_path, mark + typed.encode(), "new one.flac", "one.flac")
    archive.sheet.chmod(0o640)
    archive.register()
    content = archive.sheet.read_bytes()
    assert content.startswith(mark + typed.encode())
    added = content.removeprefix(mark + typed.encode()).decode().strip("\r\n")
    assert added.startswith("new-one\tnew one.flac\t")
    assert content.decode().count("\n") == content.decode().count(ending)
    assert archive.sheet.stat().st_mode & 0o777 == 0o640
    assert not list(archive.sheet.parent.glob(".*part"))


def test_a_second_time_there_is_nothing_to_do(tmp_path):
    archive = Archive(tmp_path, HEADER, "x.flac")
    archive.register()
    content = archive.sheet.read_bytes()
    assert archive.register() == []
    assert archive.sheet.read_bytes() == content
    assert summary(archive.registered) == [
        "Nothing new: every recording that can be read is in the sheet."
    ]


def test_what_could_not_be_filled_in_is_said(tmp_path):
    archive = Archive(tmp_path, HEADER, "x.flac", "y.flac", playing_log=None)
    entries = archive.register()
    assert entries[0].missing == ["captured_at", "stylus", "side"]
    assert "could not fill in captured_at, stylus, side" in archive.told[0]
    assert "the file was last changed at 20" in archive.told[0]
    said = summary(archive.registered)
    assert said[1] == "Still to fill in: captured_at (2)."
    for hint in ("register.patterns", "date_from_file_time", "no playing log"):
        assert any(hint in line for line in said)
    with pytest.raises(ConfigurationFaults, match="rows 2 to 3, captured_at: is blank"):
        load(read_config(tmp_path / "config.yaml"), tmp_path)


def test_rows_still_blank_do_not_keep_others_out(tmp_path):
    archive = Archive(tmp_path, HEADER, "x.flac")
    archive.register()
    archive.add("y.flac")
    assert [entry.cells["file"] for entry in archive.register()] == ["y.flac"]


def test_a_trial_writes_nothing(tmp_path):
    archive = Archive(tmp_path, HEADER, "x.flac")
    assert len(archive.register(write=False)) == 1
    assert archive.sheet.read_text() == HEADER
    assert summary(archive.registered, written=False)[0].startswith("1 row would be appended to ")
    assert "delete them first" in summary(archive.registered)[-1]


def test_a_stylus_alone_fitted_by_then_is_taken(tmp_path):
    """s1 was fitted two months before s2: what is older can only be of s1."""
    early, late = good.STYLI[1][2], good.STYLI[2][2]
    assert early < late
    archive = Archive(
        tmp_path, HEADER, f"side b {early}.flac", f"{late} (2).flac", "1999-01-01.flac"
    )
    entries = archive.register()
    assert [entry.cells.get("stylus") for entry in entries] == [None, "s1", None]
    assert "s1 is the only stylus that was in use then" in archive.told[-1]


def test_configured_cells_stand_where_nothing_else_tells(tmp_path):
    cells = {"stylus": "s1", "temperature_c": 21.5}
    settings = {"register": {**PATTERN["register"], "cells": cells}}
    archive = Archive(tmp_path, HEADER, "2024-03-05_s2_a.flac", "x.flac", **settings)
    archive.register()
    assert [row["stylus"] for row in archive.rows()[1:]] == ["s2", "s1"]
    assert archive.rows()[2]["temperature_c"] == "21.5"


def test_ids_are_made_of_any_name_and_never_twice(tmp_path):
    files = ("a/Süß 1.flac", "b/Süß 1.flac", "c/suss-1.flac", "録音.flac", "ONE.flac")
    archive = Archive(tmp_path, good.sheet(good.CAPTURES), *files)
    archive.register()
    added = [row["capture"] for row in archive.rows()[6:]]
    assert added == ["ONE-2", "Su-1", "Su-1-2", "suss-1", "capture"]


def test_unreadable_files_are_left_out_and_said(tmp_path):
    archive = Archive(tmp_path, HEADER, "x.flac")
    (tmp_path / "captures" / "bad.wav").write_bytes(b"RIFF")
    assert len(archive.register()) == 1
    assert archive.told[0].startswith("bad.wav is left out: it can't be read as audio (")
    assert str(tmp_path) not in archive.told[0]
    assert "Left out, since they can't be read: bad.wav." in summary(archive.registered)


def test_words_that_are_no_ids_are_said(tmp_path):
    archive = Archive(tmp_path, HEADER, "2024-03-05_s1x_a.flac", **PATTERN)
    archive.register()
    assert "'s1x' in its name is no known stylus. Did you mean 's1'?" in archive.told[0]


def test_columns_that_the_sheet_lacks_are_said(tmp_path):
    sheet = good.sheet([row[:7] for row in good.CAPTURES])
    settings = {"register": {"patterns": ["{stylus_hours}h"]}}
    archive = Archive(tmp_path, sheet, "120.5h.flac", **settings)
    archive.register()
    assert archive.told[-1].startswith("The sheet has no column stylus_hours: ")
    assert len(archive.rows()) == 7


def test_a_sheet_that_is_not_there_is_made(tmp_path):
    archive = Archive(tmp_path, HEADER, "x.flac")
    archive.sheet.unlink()
    archive.register()
    assert list(archive.rows()[0]) == [*good.CAPTURES[0], "copy"]
    assert archive.rows()[1]["file"] == "x.flac"


def test_the_time_of_change_is_only_taken_where_that_is_wanted(tmp_path):
    settings = {"register": {"date_from_file_time": True}}
    archive = Archive(tmp_path, HEADER, "x.flac", **settings)
    os.utime(tmp_path / "captures" / "x.flac", (1_709_410_500, 1_709_410_500))
    archive.register()
    assert archive.rows()[1]["captured_at"].startswith("2024-03-0")
    assert "check it" in archive.told[0]


@pytest.mark.parametrize(
    ("name", "likely", "cells", "said"),
    [
        ("x", ["bench-a b"], ("bench-a", "b"), ""),
        ("2024-03-05_s2_a", ["bench-a a"], ("bench-a", "a"), ""),
        ("2024-03-05_s2_a", ["bench-a b"], ("bench-a", "a"), "says side a, but it sounds like"),
        ("2024-03-05_s2_b", ["bench-a a", "bench-a b"], ("bench-a", "b"), ""),
        ("x", ["bench-a a", "bench-a b"], ("bench-a", ""), "a or bench-a b, which fit it equally"),
        ("x", [], ("bench-a", ""), "none of the sides described\n    it is shorter than each"),
    ],
)
def test_what_is_heard_fills_in_and_contradicts(name, likely, cells, said, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "most_likely_sides", lambda path, sides: likely)
    archive = Archive(tmp_path, HEADER, f"{name}.flac", **PATTERN)
    archive.register(listen=True)
    row = archive.rows()[1]
    assert (row["record"], row["side"]) == cells
    assert said in archive.told[0]


def test_sides_that_are_described_alike_are_not_told_apart(tmp_path):
    made = small_archive(tmp_path, captures=1)
    sheet = tmp_path / "captures.tsv"
    sheet.write_text(sheet.read_text().splitlines()[0] + "\n")
    described = (tmp_path / "records" / "small.yaml").read_text()
    copy = described.replace("record: small", "record: copy").replace("3.54", "5.0")
    (tmp_path / "records" / "copy.yaml").write_text(copy)
    told = []
    (entry,) = register(made.config, tmp_path, told.append).entries
    assert ("record" in entry.cells, entry.cells["side"]) == (False, "a")
    assert "it sounds like copy a or small a, which fit it equally well" in told[0]


def test_a_configuration_with_faults_is_told_and_nothing_is_written(tmp_path):
    archive = Archive(tmp_path, HEADER, "x.flac", mains_hz=55)
    with pytest.raises(ConfigurationFaults, match="mains_hz"):
        archive.register()
    assert archive.sheet.read_text() == HEADER


def test_a_simulated_capture_is_known_by_its_sound(tmp_path):
    made = small_archive(tmp_path, captures=2, sides=("a", "b"))
    sheet = tmp_path / "captures.tsv"
    sheet.write_text(sheet.read_text().splitlines()[0] + "\n")
    shutil.move(made.captures[0], tmp_path / "captures" / "x.flac")
    entries = register(made.config, tmp_path, lambda line: None).entries
    assert [entry.cells["side"] for entry in entries] == ["b", "a"]
    assert [entry.cells["stylus"] for entry in entries] == ["s1", "s1"]


def noted(tmp_path, text):
    path = tmp_path / "notes.csv"
    path.write_text(text, encoding="utf-8")
    return read_notes(path)


@pytest.mark.parametrize(
    "text",
    [
        "file;stylus;side;temperature_c;note\nx;s2;b;21,5;loud\ny.flac;s1;a;;\n",
        "captured_at\tstylus\tside\ttemperature_c\tnote\n"
        "2024-03-05\ts2\tb\t21.5\tloud\n2024-03-06\ts1\ta\t\t\n",
        "stylus,side,note\ns2,b,loud\ns1,a,\n",
    ],
    ids=["by file", "by date", "by order"],
)
def test_notes_fill_in_what_they_say(tmp_path, text):
    files = ("x.flac", "y.flac")
    archive = Archive(tmp_path, HEADER, *files)
    for day, file in enumerate(files, start=5):
        moment = datetime.datetime(2024, 3, day, 20, 0).timestamp()
        os.utime(tmp_path / "captures" / file, (moment, moment))
    archive.register(notes=noted(tmp_path, text))
    rows = {row["file"]: row for row in archive.rows()[1:]}
    assert [(rows[file]["stylus"], rows[file]["side"]) for file in files] == [
        ("s2", "b"),
        ("s1", "a"),
    ]
    assert rows["x.flac"]["note"] == "loud"


def test_notes_that_belong_to_no_recording_stop_the_rows(tmp_path):
    archive = Archive(tmp_path, HEADER, "x.flac")
    archive.register(notes=noted(tmp_path, "file,side\nx,a\nz,b\n"))
    assert len(archive.rows()) == 1
    assert "row 3: belongs to no new recording" in "\n".join(summary(archive.registered))


def test_notes_with_unknown_columns_are_refused(tmp_path):
    with pytest.raises(ConfigurationFaults, match="Did you mean 'stylus'"):
        noted(tmp_path, "styls,side\ns1,a\n")


def test_rows_are_shown_before_chains_and_cartridges_are_filled_in(tmp_path):
    archive = Archive(tmp_path, HEADER, "2024-03-05_s2_a.flac", **PATTERN)
    (tmp_path / "config" / "chains.yaml").write_text("bench:\n")
    (tmp_path / "config" / "cartridges.yaml").write_text("mm-one:\n")
    entries = archive.register()
    assert (entries[0].cells["captured_at"], entries[0].cells["side"]) == ("2024-03-05", "a")
    assert len(archive.rows()) == 1
    closing = "\n".join(summary(archive.registered))
    assert "1 row would be appended" in closing
    assert "config/chains.yaml" in closing


def test_each_recording_is_read_once(tmp_path, monkeypatch):
    """Listening decodes a recording; nothing needs its digest."""
    archive = Archive(tmp_path, HEADER, "x.flac")
    monkeypatch.setattr("grooveledger.segment.envelope.file_sha256", None)
    archive.register(listen=True)
    assert archive.rows()[1]["file"] == "x.flac"
