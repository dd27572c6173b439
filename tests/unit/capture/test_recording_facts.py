"""What a recording's file says of itself."""

import os
import struct

import numpy as np
import pytest
import soundfile as sf

from grooveledger.capture.recording_facts import find_recordings, read_recording
from grooveledger.faults import CaptureFault

SILENCE = np.zeros((4800, 2))


def write(path, **tags):
    path.parent.mkdir(parents=True, exist_ok=True)
    with sf.SoundFile(path, "w", 48_000, 2, "PCM_24") as file:
        for key, value in tags.items():
            setattr(file, key, value)
        file.write(SILENCE)
    return path


def write_broadcast(path, date, time):
    """Put a bext chunk (EBU Tech 3285, section 2.3) before the others of a wave file."""
    plain = write(path).read_bytes()
    bext = bytes(256 + 32 + 32) + date + time + bytes(8 + 2 + 64 + 190)
    chunks = b"JUNK" + struct.pack("<I", 3) + bytes(4)
    chunks += b"bext" + struct.pack("<I", len(bext)) + bext
    head = b"RIFF" + struct.pack("<I", len(plain) - 8 + len(chunks)) + b"WAVE"
    path.write_bytes(head + chunks + plain[12:])
    return path


def test_facts(tmp_path):
    recording = read_recording(write(tmp_path / "x.flac"))
    assert (recording.sample_rate_hz, recording.duration_s) == (48_000, 0.1)
    assert recording.encoding == "FLAC PCM_24"
    assert recording.tagged_at is None


def test_time_of_change_is_local_clock_time(tmp_path, monkeypatch):
    path = write(tmp_path / "x.flac")
    os.utime(path, (1_709_410_500, 1_709_410_500))
    monkeypatch.setenv("TZ", "UTC")
    assert read_recording(path).changed_at.startswith("2024-03-0")


def test_a_date_tag(tmp_path):
    assert read_recording(write(tmp_path / "x.flac", date="2024-03-02")).tagged_at == "2024-03-02"
    assert read_recording(write(tmp_path / "y.flac", date="2024")).tagged_at is None
    assert read_recording(write(tmp_path / "z.wav", date="2024-03-02")).tagged_at == "2024-03-02"


@pytest.mark.parametrize(
    ("date", "time", "expected"),
    [
        (b"2024-03-02", b"20:15:30", "2024-03-02T20:15"),
        (b"2024:03:02", b"20-15-30", "2024-03-02T20:15"),
        (b"2024-03-02", bytes(8), "2024-03-02"),
        (b"2024-13-02", b"20:15:30", None),
        (bytes(10), bytes(8), None),
    ],
)
def test_date_of_a_broadcast_wave_file(date, time, expected, tmp_path):
    assert read_recording(write_broadcast(tmp_path / "x.wav", date, time)).tagged_at == expected


def test_files_are_found_by_their_endings(tmp_path):
    for name in ("b.WAV", "a/x.flac", "a/.hidden.flac", ".trash/y.flac", "c.aiff"):
        write(tmp_path / name)
    (tmp_path / "notes.txt").write_text("x")
    (tmp_path / "folder.wav").mkdir()
    assert find_recordings(tmp_path) == ["a/x.flac", "b.WAV", "c.aiff"]


def test_a_file_that_is_no_audio_is_told(tmp_path):
    (tmp_path / "x.wav").write_bytes(b"RIFF")
    with pytest.raises(CaptureFault):
        read_recording(tmp_path / "x.wav")
