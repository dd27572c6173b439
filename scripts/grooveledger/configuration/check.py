"""Report what an archive's configuration gives and can't give, without running anything."""

import dataclasses
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from grooveledger.capture.recording_facts import find_recordings
from grooveledger.configuration import Archive, plausible
from grooveledger.measure.quantities import MEASURES
from grooveledger.physics.arm_match import ArmMatch, arm_match, described_compliance
from grooveledger.plan import Cartridge, Chain, Side, Track

#: This many file names are listed, of the rest their number.
_NAMES_MAX = 5
_UNKNOWN_HOURS = (
    "    without hours nothing can be followed: fill in stylus_hours in the captures' sheet, or "
    "what the stylus played in the playing log"
)


class SideUse(NamedTuple):
    """What a measure draws from a side: its tracks, none where the side can't give it.

    `withheld` are tracks that only their purpose keeps from the measure.
    """

    measure: str
    tracks: tuple[Track, ...]
    withheld: tuple[Track, ...]

    def __str__(self) -> str:
        if not self.tracks:
            needs = f"    no {self.measure}: it needs {MEASURES[self.measure].needs}"
            kept = [f"track {track.track} is kept for {track.purpose}" for track in self.withheld]
            return needs + (f" ({', '.join(kept)})" if kept else "")
        return f"    {self.measure}: {', '.join(map(spoken, self.tracks))}"


def side_uses(side: Side) -> list[SideUse]:
    """Return what each measure draws from a side."""
    return [
        SideUse(
            name,
            measure.tracks(side),
            tuple(t for t in side.tracks if not measure.uses(t) and measure.uses(_free(t))),
        )
        for name, measure in MEASURES.items()
        if measure.needs is not None
    ]


def spoken(track: Track) -> str:
    """Return a track in a few words, such as ``track 3 (left, 500 to 40000 Hz)``."""
    low_hz, high_hz = track.lowest_hz, track.highest_hz
    if track.start_hz is not None and track.stop_hz is not None:
        low_hz, high_hz = track.start_hz, track.stop_hz
    span = f"{low_hz:g} Hz" if low_hz == high_hz else f"{low_hz:g} to {high_hz:g} Hz"
    if not high_hz:
        span = f"{track.duration_s:g} s" if track.duration_s else track.kind.replace("_", " ")
    words = [track.modulation, span]
    return f"track {track.track} ({', '.join(word for word in words if word)})"


def report(archive: Archive, directory: Path) -> list[str]:
    """Return the lines of a check: what is there, what each side gives, and what is missing."""
    rows = archive.captures
    on_side = Counter((row["record"], row["side"]) for row in rows)
    lines = [
        f"The configuration is sound: {_count(len(rows), 'capture')}, "
        f"{_count(len(archive.styli), 'stylus', 'styli')}, "
        f"{_count(len(archive.sides), 'record side')}.",
        *_file_lines(archive, directory),
        *_unusual_lines(archive),
        *_arm_lines(archive),
    ]
    for stylus, mapping in archive.styli.items():
        played = [row for row in rows if row["stylus"] == stylus]
        lines += _stylus_lines(f"Stylus {stylus} ({mapping['cartridge']})", played)
    for key, mapping in archive.sides.items():
        side = Side.from_mapping(mapping)
        uses = side_uses(side)
        lines.append(f"Record {key[0]}, side {key[1]}: {_count(on_side[key], 'capture')}")
        lines += [str(use) for use in uses if use.tracks]
        lines += [str(use) for use in uses if not use.tracks]
        served = {track.track for use in uses for track in use.tracks}
        lines += [
            f"    {spoken(track)} serves no measure"
            for track in side.tracks
            if track.track not in served and track.kind != "other"
        ]
    return lines


def _stylus_lines(name: str, rows: Sequence[Mapping[str, Any]]) -> list[str]:
    if not rows:
        return [f"{name}: 0 captures"]
    first, last = (pick(row["captured_at"][:10] for row in rows) for pick in (min, max))
    days = first if first == last else f"{first} to {last}"
    known_h = [row["stylus_hours"] for row in rows if row["stylus_hours"] is not None]
    unknown = len(rows) - len(known_h)
    if not known_h:
        return [f"{name}: {_count(len(rows), 'capture')}, {days}, hours unknown", _UNKNOWN_HOURS]
    fewest, most = min(known_h), max(known_h)
    hours = f"{fewest:g} h" if fewest == most else f"{fewest:g} to {most:g} h"
    lines = [f"{name}: {_count(len(rows), 'capture')}, {days}, {hours}"]
    if unknown:
        lines.append(f"    hours unknown in {_count(unknown, 'capture')} of these")
        lines.append(_UNKNOWN_HOURS)
    if first != last and fewest == most:
        lines.append(
            "    no hours between them, so nothing can be followed: fill in stylus_hours in the "
            "captures' sheet, or what it played in the playing log"
        )
    return lines


def _arm_lines(archive: Archive) -> list[str]:
    """Predict the resonance of every cartridge on every chain's arm from its data sheet."""
    lines = []
    for name, mapping in archive.cartridges.items():
        cartridge = Cartridge.from_mapping({**mapping, "cartridge": name})
        compliance = described_compliance(cartridge)
        for chain_name, arm in archive.chains.items():
            chain = Chain.from_mapping({**arm, "chain": chain_name})
            found = arm_match(compliance, cartridge, chain) if compliance else None
            if found is not None:
                lines.append(
                    f"    {name} on {chain_name}: {found.resonance_hz:.1f} Hz "
                    f"({found.low_hz:.1f} to {found.high_hz:.1f}), {found.verdict}{_change(found)}"
                )
    head = "Arm and cartridge resonance by the data sheets (8 to 12 Hz is common practice):"
    return [head, *lines] if lines else []


def _change(found: ArmMatch) -> str:
    if not found.change_g:
        return ""
    return f"; {'add' if found.change_g > 0 else 'take off'} {abs(found.change_g):.0f} g"


def _unusual_lines(archive: Archive) -> list[str]:
    """Name figures outside their usual range, which a run takes as they are."""
    lines = [
        f"    {kind} {name}, {remark}"
        for kind, things, usual in (
            ("cartridge", archive.cartridges, plausible.CARTRIDGE),
            ("chain", archive.chains, plausible.CHAIN),
        )
        for name, mapping in things.items()
        for remark in plausible.unusual(mapping, usual)
    ]
    for (record, side), mapping in archive.sides.items():
        for track in mapping["tracks"]:
            remarks = [
                *plausible.unusual(track, plausible.TRACK),
                *plausible.unusual_speed_tone(track),
            ]
            lines += [f"    {record} {side} track {track['track']}, {one}" for one in remarks]
    return ["Unusual, so worth a second look:", *lines] if lines else []


def _free(track: Track) -> Track:
    return dataclasses.replace(track, purpose=None)


def _file_lines(archive: Archive, directory: Path) -> list[str]:
    captures_dir = directory / archive.settings["captures_dir"]
    if not captures_dir.is_dir():
        return [f"There is no folder {archive.settings['captures_dir']} yet: no file can be read."]
    files = [row["file"] for row in archive.captures]
    absent = [file for file in files if not (captures_dir / file).is_file()]
    known = {Path(file) for file in files}
    new = [file for file in find_recordings(captures_dir) if Path(file) not in known]
    lines = []
    if absent:
        lines.append(f"Not in captures_dir, so they would be rejected: {_named(absent)}")
    if new:
        lines.append(f"Not in the sheet yet (register.py appends what can be read): {_named(new)}")
    return lines


def _named(files: list[str]) -> str:
    more = len(files) - _NAMES_MAX
    return ", ".join(files[:_NAMES_MAX]) + (f" and {more} more" if more > 0 else "")


def _count(number: int, one: str, many: str | None = None) -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"
