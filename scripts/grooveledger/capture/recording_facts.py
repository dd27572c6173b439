"""Facts of a recording's file that help to register it: its format, length, and date."""

import datetime
import re
import struct
from dataclasses import dataclass
from pathlib import Path

from grooveledger.capture.reader import OPEN_FRAMES, blocks, open_capture

#: Endings of the formats that a capture may have.
ENDINGS = frozenset({".wav", ".rf64", ".w64", ".aif", ".aiff", ".flac", ".caf"})
#: EBU Tech 3285, section 2.3: bytes of a bext chunk before its OriginationDate and OriginationTime.
_BEXT_DATE_AT, _BEXT_DATE_BYTES, _BEXT_TIME_BYTES = 256 + 32 + 32, 10, 8
#: A header without a bext chunk among this many chunks has none.
_CHUNKS_MAX = 64
_DATE = re.compile(r"(\d{4})[-_:./ ](\d{2})[-_:./ ](\d{2})")
_TIME = re.compile(r"(\d{2})[-_:./ ](\d{2})[-_:./ ](\d{2})")


@dataclass(frozen=True)
class Recording:
    """What a file says of itself.

    Attributes
    ----------
    sample_rate_hz : int
    encoding : str
        Format and sample type, such as ``FLAC PCM_24``.
    duration_s : float
    tagged_at : str or None
        ISO date or date-time that the recorder wrote into the file.
    changed_at : str
        ISO date-time, to the minute, of the file's last change.
    """

    sample_rate_hz: int
    encoding: str
    duration_s: float
    tagged_at: str | None
    changed_at: str


def read_recording(path: Path) -> Recording:
    """Read the facts of a file.

    Raises
    ------
    CaptureFault
        The file can't be measured.
    """
    with open_capture(path) as file:
        tag = file.copy_metadata().get("date", "")
        frames = file.frames if file.frames != OPEN_FRAMES else sum(map(len, blocks(file)))
        sample_rate_hz, duration_s = file.samplerate, frames / file.samplerate
        encoding = f"{file.format} {file.subtype}"
    changed = datetime.datetime.fromtimestamp(path.stat().st_mtime)
    return Recording(
        sample_rate_hz=sample_rate_hz,
        encoding=encoding,
        duration_s=duration_s,
        tagged_at=_broadcast_date(path) or _iso(tag, ""),
        changed_at=changed.isoformat(timespec="minutes"),
    )


def find_recordings(folder: Path) -> list[str]:
    """Return the recordings under a folder, hidden ones left out, as sorted paths in it."""
    recordings = (path for path in folder.rglob("*") if path.suffix.lower() in ENDINGS)
    relative = (path.relative_to(folder) for path in recordings if path.is_file())
    return sorted(
        path.as_posix() for path in relative if not any(part.startswith(".") for part in path.parts)
    )


def _broadcast_date(path: Path) -> str | None:
    """Return the date of a broadcast wave file (EBU Tech 3285), None for others."""
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
            return None
        for _ in range(_CHUNKS_MAX):
            header = file.read(8)
            if len(header) < 8 or header[:4] == b"data":
                return None
            size = struct.unpack("<I", header[4:])[0]
            if header[:4] == b"bext":
                file.seek(_BEXT_DATE_AT, 1)
                date = file.read(_BEXT_DATE_BYTES).decode("ascii", "replace")
                time = file.read(_BEXT_TIME_BYTES).decode("ascii", "replace")
                return _iso(date, time)
            file.seek(size + size % 2, 1)
    return None


def _iso(date: str, time: str) -> str | None:
    """Return the ISO date, or date-time to the minute, of what a tag holds.

    None where it is no date.
    """
    match = _DATE.match(date)
    if match is None:
        return None
    clock = _TIME.match(time)
    try:
        day = datetime.date(*(int(part) for part in match.groups()))
        if clock is None:
            return day.isoformat()
        hour, minute, _ = (int(part) for part in clock.groups())
        return f"{day.isoformat()}T{datetime.time(hour, minute).isoformat('minutes')}"
    except ValueError:
        return None
