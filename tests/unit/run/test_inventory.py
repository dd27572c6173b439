"""Captures by content: digests are read anew only where size or time have changed."""

import hashlib
import os

import pytest

from grooveledger.run import inventory
from grooveledger.storage.digests import ABSENT, UNREADABLE


@pytest.fixture
def archive(tmp_path):
    captures = tmp_path / "captures"
    captures.mkdir()
    (captures / "a.wav").write_bytes(b"one")
    (captures / "b.wav").write_bytes(b"two")
    return tmp_path / "results/.inventory.tsv", captures


def sha(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def test_digests_are_those_of_the_content(archive):
    found = inventory.update(*archive, ["a.wav", "b.wav", "c.wav"])
    assert found == {"a.wav": sha(b"one"), "b.wav": sha(b"two"), "c.wav": ABSENT}


def test_a_file_that_has_not_changed_is_not_read(archive, monkeypatch):
    store, captures = archive
    before = inventory.update(store, captures, ["a.wav", "b.wav"])
    read = []
    monkeypatch.setattr(inventory, "file_sha256", lambda path: read.append(path.name) or "new")
    assert inventory.update(store, captures, ["a.wav", "b.wav"]) == before
    assert not read
    os.utime(captures / "b.wav", ns=(1, 1))
    assert inventory.update(store, captures, ["a.wav", "b.wav"])["b.wav"] == "new"
    assert read == ["b.wav"]


def test_a_file_that_was_put_away_keeps_its_digest(archive):
    store, captures = archive
    inventory.update(store, captures, ["a.wav", "b.wav"])
    (captures / "a.wav").rename(captures / "away")
    for _ in range(2):
        assert inventory.update(store, captures, ["a.wav"])["a.wav"] == sha(b"one")


def test_a_damaged_inventory_is_read_anew(archive):
    store, captures = archive
    before = inventory.update(store, captures, ["a.wav"])
    store.write_text("file\tsize\nnonsense")
    assert inventory.update(store, captures, ["a.wav"]) == before


def test_a_file_that_cannot_be_read_is_told(archive, monkeypatch):
    def refuse(path):
        raise PermissionError

    monkeypatch.setattr(inventory, "file_sha256", refuse)
    assert inventory.update(*archive, ["a.wav"]) == {"a.wav": UNREADABLE}
