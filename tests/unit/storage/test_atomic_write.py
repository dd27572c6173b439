"""A file is written whole or stays as it was."""

import os

import pytest

from grooveledger.storage.atomic_write import written_whole


def test_what_was_written_takes_the_files_place(tmp_path):
    path = tmp_path / "new folder" / "table"
    with written_whole(path) as scratch:
        scratch.write_text("whole")
        assert not path.exists()
    assert path.read_text() == "whole"
    assert os.listdir(path.parent) == ["table"]


def test_what_fails_half_way_leaves_what_was_there(tmp_path):
    path = tmp_path / "table"
    path.write_text("earlier")

    def half():
        with written_whole(path) as scratch:
            scratch.write_text("ha")
            raise OSError("no space left")

    with pytest.raises(OSError, match="no space"):
        half()
    assert path.read_text() == "earlier"
    assert os.listdir(tmp_path) == ["table"]


def test_two_processes_that_write_one_file_do_not_meet(tmp_path, monkeypatch):
    """As a job does that outlived its killed run."""
    path = tmp_path / "table"
    with written_whole(path) as outlived:
        outlived.write_text("half of the ear")
        with monkeypatch.context() as other:
            other.setattr(os, "getpid", lambda: -1)
            with written_whole(path) as scratch:
                scratch.write_text("whole")
        assert path.read_text() == "whole"
        outlived.write_text("half of the earlier")
        assert path.read_text() == "whole"


def test_two_files_of_a_folder_can_be_written_at_once(tmp_path):
    with written_whole(tmp_path / "a") as first, written_whole(tmp_path / "b") as second:
        first.write_text("a")
        second.write_text("b")
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"a": "a", "b": "b"}
