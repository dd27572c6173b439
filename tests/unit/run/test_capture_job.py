"""Stages 1 to 3 of a capture in one process: what is stale, and the same bytes whatever that is."""

import shutil

import pytest

from grooveledger.capture import reader
from grooveledger.configuration import load, read_config
from grooveledger.measure import job as measuring
from grooveledger.run import capture_job, inventory
from grooveledger.run.jobs import Jobs
from grooveledger.run.rules import OF_CAPTURE, RULES
from grooveledger.simulate.archives import small_archive


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    folder = tmp_path_factory.mktemp("capture_job")
    small_archive(folder, captures=1, sides=("a",))
    return folder


@pytest.fixture(scope="module")
def mapping(archive):
    described = load(read_config(archive / "config.yaml"), archive)
    files = [row["file"] for row in described.captures]
    digests = inventory.update(archive / ".inventory.tsv", archive / "captures", files)
    return Jobs(described, digests).run_mapping("capture", "c01")


@pytest.fixture(scope="module")
def whole(archive, mapping):
    """Folder of a capture that one process made, and the part of its frames that was decoded."""
    decoded = []
    original = reader._decoded

    def decode(file, at, count):
        decoded.append(count)
        return original(file, at, count)

    reader._decoded = decode
    try:
        folder = archive / "whole"
        assert set(capture_job.make_capture(archive / "captures", folder, mapping)) == set(
            OF_CAPTURE
        )
    finally:
        reader._decoded = original
    with reader.open_capture(archive / "captures/c01.flac") as file:
        return folder, sum(decoded) / file.frames


def contents(folder):
    return {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*.parquet")}


def test_sound_is_decoded_once(whole):
    assert whole[1] == pytest.approx(1.0, abs=0.01)


def test_each_part_by_itself_gives_the_same_bytes(archive, mapping, whole):
    folder = archive / "apart"
    for part in OF_CAPTURE:
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(whole[0], folder)
        for made in RULES[part].makes:
            (folder / made.format(name="c01").removeprefix("captures/c01/")).unlink()
        took = capture_job.make_capture(archive / "captures", folder, mapping)
        assert set(took) == {part}
        assert contents(folder) == contents(whole[0])


def test_what_is_up_to_date_is_left(archive, mapping, whole):
    assert capture_job.make_capture(archive / "captures", whole[0], mapping) == {}


def test_a_part_that_fails_leaves_what_was_made_before(archive, mapping, whole, monkeypatch):
    folder = archive / "failed"
    monkeypatch.setattr(capture_job, "measure_capture", None)
    with pytest.raises(TypeError):
        capture_job.make_capture(archive / "captures", folder, mapping)
    monkeypatch.setattr(capture_job, "measure_capture", measuring.measure_capture)
    assert set(capture_job.make_capture(archive / "captures", folder, mapping)) == {"measure"}
    assert contents(folder) == contents(whole[0])
