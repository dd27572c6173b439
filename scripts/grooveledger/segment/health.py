"""Decide whether a capture can be measured, and what is wrong with it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from grooveledger.plan import Side, Track
from grooveledger.schemas.states import Status, TrackMatch
from grooveledger.segment.alignment import Alignment
from grooveledger.segment.envelope import LONGEST_S, FileFacts
from grooveledger.segment.plausibility import Match
from grooveledger.segment.silence import LOW_BANDS, SLOW_BANDS
from grooveledger.segment.stretches import Heard
from grooveledger.segment.sweep_line import is_blurred

#: Another side fits better when its alignment costs less by this much (a missing track costs 3).
BETTER_BY = 3.0
#: Unexpected stretches from this length count against the record's being the right one.
TELLING_S = 2.0
#: Part of a track's samples at full scale from which its figures are meaningless.
CLIPPED_PART_MAX = 1e-3
#: Digital silence this long within the groove means lost samples.
LOST_S = 0.3
#: A file this much shorter than its header promises was cut short; recorders that count the
#: header's own bytes promise less than that in excess.
CUT_S = 0.05
#: The power of hum is steady, that of noise is not: spread of the lowest audio band, dB.
STEADY_DB = 1.0
#: A duration that is off by this part, and a sweep with this part off its line, is reported.
DURATION_REPORTED, OFF_LINE_REPORTED = 0.15, 0.08
#: An interruption of this length is reported, too.
INTERRUPTION_REPORTED_S = 0.2
#: A track that begins or ends this close to an end of the capture is cut off there.
AT_END_S = 0.3
#: Remedies for a jumping needle, a track cut off by an end of the capture, digital silence, and a
#: channel that carries nothing.
CLEAN = "clean record and stylus, check the tracking force and capture again"
RUN_ON = "let the recorder run on to the run-out"
LEAD_IN = "lower the needle in the lead-in and capture again"
UNGATED = "switch gates off and capture again"
LEADS = "check leads and cables and capture again"
#: Remark on a stretch that resembles no track: what it is and what to do.
NOT_PLANNED = "sound that is not planned: listen there, and capture again if it disturbs a track"


@dataclass(frozen=True)
class Part:
    """A planned track, or an unexpected stretch, in the capture; times None where missing.

    `samples_clipped` counts samples at full scale in runs of two or more, both channels.
    """

    track: Track | None
    match: TrackMatch
    start_s: float | None = None
    stop_s: float | None = None
    heard: Match | None = None
    remark: str = ""
    level_left_dbfs: float | None = None
    level_right_dbfs: float | None = None
    samples_clipped: int = 0

    @property
    def has_sound(self) -> bool:
        """Whether a sound was identified as this planned track."""
        is_other = self.track is not None and self.track.kind == "other"
        return self.match == TrackMatch.FOUND and (self.heard is not None or is_other)

    @property
    def duration_s(self) -> float:
        """Its length in the capture, 0 where missing."""
        if self.start_s is None or self.stop_s is None:
            return 0.0
        return self.stop_s - self.start_s

    @property
    def level_dbfs(self) -> float:
        """The louder channel's level."""
        levels = (self.level_left_dbfs, self.level_right_dbfs)
        return max((level for level in levels if level is not None), default=-np.inf)


class Judgement(NamedTuple):
    """Status, its reason, and whether the channels are as_named, exchanged or unknown."""

    status: Status
    reason: str
    channel_order: str


def judge(
    heard: Heard,
    facts: FileFacts,
    side: Side,
    alignment: Alignment,
    parts: Sequence[Part],
    others: Mapping[str, Alignment],
    settings: Mapping[str, Any],
) -> Judgement:
    """Judge a capture by its file and by how well its sound fits the plan.

    Parameters
    ----------
    heard, facts
        The sound and the file's facts.
    side, alignment, parts
        The plan, the alignment of the sound with it, and where that places the tracks.
    others : mapping of str to Alignment
        The alignments with other sides, by the sides' names.
    settings : mapping
        The configuration's block `segment`.
    """
    order = "unknown" if heard.dead else _channel_order(alignment, parts)
    refusals = _file_refusals(facts, heard) or _plan_refusals(
        facts, heard, side, alignment, parts, others
    )
    if refusals:
        return Judgement(Status.REJECTED, refusals[0], order)
    flags = [
        *_file_flags(facts, heard, parts, settings),
        *_channel_flags(heard, alignment, parts),
        *_track_flags(heard, alignment, parts),
        *_level_flags(heard, parts, settings),
    ]
    return Judgement(Status.FLAGGED if flags else Status.OK, "; ".join(flags), order)


def _file_refusals(facts: FileFacts, heard: Heard) -> list[str]:
    if facts.peak == 0.0:
        return [
            "digital silence: every sample is zero; the recorder's input was off or muted, "
            "capture again"
        ]
    if not heard.stretches and _is_cut(facts):
        return [f"{_ends_early(facts)}, and holds no sound up to there"]
    if not heard.stretches:
        return [
            f"only noise is recorded (peak {20.0 * np.log10(facts.peak):.0f} dBFS): check that "
            "the needle was in the groove and the right input was recorded, and capture again"
        ]
    return []


def _plan_refusals(
    facts: FileFacts,
    heard: Heard,
    side: Side,
    alignment: Alignment,
    parts: Sequence[Part],
    others: Mapping[str, Alignment],
) -> list[str]:
    refusals = []
    found = _found(parts)
    planned = [track for track in side.tracks if track.modulation]
    count = f"{len(found)} of {len(planned)} tracks"
    clipped = [part for part in found if _is_clipped(part, facts)]
    share = sum(facts.clipped) / (2.0 * facts.frames)
    if (found and 2 * len(clipped) > len(found)) or (not found and share > CLIPPED_PART_MAX):
        refusals.append(
            f"clipped: {sum(facts.clipped)} samples at full scale, in {len(clipped)} of the "
            f"{len(found)} located tracks; lower the recording gain and capture again"
        )
    better = min(others, key=lambda name: others[name].cost, default=None)
    if better is not None and others[better].cost + BETTER_BY < alignment.cost:
        refusals.append(
            f"fits {better} ({len(others[better].matches)} tracks) better than {name_of(side)} "
            f"({count}): correct record and side in the sheet, or capture the right side"
        )
    strange = [
        part
        for part in parts
        if part.match == TrackMatch.UNEXPECTED and part.duration_s >= TELLING_S and not part.remark
    ]
    if not found or len(strange) >= max(len(found), 2):
        refusals.append(
            f"does not look like {name_of(side)}: {count} located, {len(strange)} stretches of "
            "sound that the side does not have; check record and side in the sheet, or capture the "
            "right side"
        )
    speed = alignment.assumption.speed
    if speed != 1.0:
        refusals.append(
            f"played at {speed * side.rpm:.4g} rpm, but the record is cut for {side.rpm:.4g} (its "
            f"tones are {100.0 * (speed - 1.0):+.0f} % off): set the speed and capture again"
        )
    return refusals


def _file_flags(
    facts: FileFacts, heard: Heard, parts: Sequence[Part], settings: Mapping[str, Any]
) -> list[str]:
    flags = []
    if _is_cut(facts):
        flags.append(_ends_early(facts))
    if facts.ran_on:
        flags.append(
            f"only the first {LONGEST_S / 60.0:.0f} minutes are read: the recorder ran on; if a "
            "track lies later, cut the file before it"
        )
    flags += _lost_flags(heard, parts)
    limit = settings["dc_limit"]
    for channel, dc in zip(("left", "right"), facts.dc, strict=True):
        if abs(dc) > limit:
            flags.append(
                f"the {channel} channel has a DC offset of {100.0 * dc:.1f} % of full scale: "
                "check the converter"
            )
    return flags


def _lost_flags(heard: Heard, parts: Sequence[Part]) -> list[str]:
    """Report digital silence: lost samples within tracks, perhaps a gate between them."""
    flags, between_s = [], []
    for start_s, stop_s in heard.lost_s(LOST_S):
        if any(_overlap_s(part, start_s, stop_s) > LOST_S for part in _found(parts)):
            flags.append(
                f"digital silence from {start_s:.1f} to {stop_s:.1f} s: the recorder lost samples "
                "there; give it a larger buffer and capture again"
            )
        else:
            between_s.append(f"{start_s:.1f} to {stop_s:.1f}")
    if between_s:
        flags.append(
            f"digital silence between the tracks, at {', '.join(between_s)} s: a noise gate, or "
            f"samples that the recorder lost; {UNGATED}"
        )
    return flags


def _overlap_s(part: Part, start_s: float, stop_s: float) -> float:
    if part.start_s is None or part.stop_s is None:
        return 0.0
    return min(part.stop_s, stop_s) - max(part.start_s, start_s)


def _channel_flags(heard: Heard, alignment: Alignment, parts: Sequence[Part]) -> list[str]:
    flags = []
    for channel in sorted(heard.dead):
        flags.append(f"the {channel} channel of the file carries nothing: {LEADS}")
    if alignment.assumption.exchanged:
        flags.append(
            "left and right are exchanged: tracks of one groove wall drive the other channel; put "
            "right for this capture: exchange the cables, or correct swap_channels in the chain"
        )
    if alignment.assumption.inverted:
        flags.append(
            "one channel's polarity is inverted: lateral tracks are in antiphase; check the "
            "cartridge's leads, or set invert in the chain"
        )
    return flags


def _track_flags(heard: Heard, alignment: Alignment, parts: Sequence[Part]) -> list[str]:
    flags = []
    found = _found(parts)
    first = min(part.heard.position for part in found if part.heard)
    last = max(part.heard.position for part in found if part.heard)
    planned = [part for part in parts if part.track]
    lost = [
        i
        for i, part in enumerate(planned)
        if part.match == TrackMatch.MISSING
        and not part.remark
        and part.track
        and part.track.modulation
    ]
    if early := [i for i in lost if i < first]:
        flags.append(
            f"{_tracks(planned[i] for i in early)} before the first one located, at "
            f"{found[0].start_s:.1f} s: the needle came down late, or they are too weak; {LEAD_IN}"
        )
    if late := [i for i in lost if i > last]:
        flags.append(
            f"{_tracks(planned[i] for i in late)} after the last one located, which ends at "
            f"{found[-1].stop_s:.1f} of {heard.envelope.duration_s:.1f} s: cut short, or too weak; "
            "compare the file with the recorder's, or capture again to the run-out"
        )
    if within := [i for i in lost if first < i < last]:
        flags.append(
            f"{_tracks(planned[i] for i in within)}: skipped, or too weak; {CLEAN}, or "
            "correct the record's file if the side does not have it"
        )
    for part in parts:
        if part.track and part.remark:
            flags.append(f"track {part.track.track} {part.remark}")
    spans_s: dict[str, list[str]] = {}
    for part in parts:
        if part.match == TrackMatch.UNEXPECTED:
            span_s = f"{part.start_s:.1f} to {part.stop_s:.1f}"
            spans_s.setdefault(part.remark or NOT_PLANNED, []).append(span_s)
    for remark, found_s in spans_s.items():
        what, _, remedy = remark.partition(": ")
        flags.append(f"{what} from {', '.join(found_s)} s: {remedy}")
    return flags


def _level_flags(heard: Heard, parts: Sequence[Part], settings: Mapping[str, Any]) -> list[str]:
    flags = []
    found = _found(parts)
    limit = settings["clipped_samples_limit"]
    clipped = [part for part in found if part.samples_clipped > limit]
    if clipped:
        flags.append(
            f"clipped: {sum(part.samples_clipped for part in clipped)} samples at full scale in "
            f"{_tracks(clipped, 'track', 'tracks')}; lower the recording gain and capture again"
        )
    loudest_dbfs = max(part.level_dbfs for part in found)
    if loudest_dbfs < settings["level_min_dbfs"]:
        flags.append(
            f"the loudest track is at {loudest_dbfs:.0f} dBFS: raise the recording gain, the "
            "converter's noise may limit what is measured"
        )
    hum = slice(SLOW_BANDS - 1, SLOW_BANDS + LOW_BANDS)
    hum_dbfs = 10.0 * np.log10(np.maximum(heard.silence.floor[:, hum].sum(axis=1), 1e-20)).max()
    drowned = [part for part in found if part.level_dbfs - hum_dbfs < settings["hum_margin_db"]]
    if drowned and heard.silence.spread_db[:, SLOW_BANDS - 1].min() < STEADY_DB:
        flags.append(
            f"hum at {hum_dbfs:.0f} dBFS is as loud as {_tracks(drowned, 'track', 'tracks')}: "
            "check earth and cables and capture again"
        )
    # Harmonics of a clipped tone shift its measured frequency.
    unclipped = [part.heard for part in found if part.heard and part not in clipped]
    speeds = [match.speed for match in unclipped if np.isfinite(match.speed)]
    off_pct = 100.0 * (float(np.median(speeds)) - 1.0) if speeds else 0.0
    if abs(off_pct) > settings["speed_limit_pct"]:
        flags.append(f"the platter turns {off_pct:+.1f} % off its speed: adjust it")
    return flags


def track_remark(track: Track, match: Match, extent_s: tuple[float, float], heard: Heard) -> str:
    """Return a remark on how a track lies in the capture; empty where nothing is wrong."""
    start_s, stop_s = extent_s
    line_s = extent_s if track.kind == "sweep" else (match.start_s, match.stop_s)
    remarks = []
    last_s = heard.envelope.duration_s
    first_s = heard.groove_s[0]
    short = track.duration_s is None or match.part < 1.0 - DURATION_REPORTED
    short &= track.kind != "sweep"
    if line_s[1] > last_s + AT_END_S or (short and last_s - stop_s < AT_END_S):
        remarks.append(f"is cut off by the end of the capture at {last_s:.1f} s: {RUN_ON}")
    elif line_s[0] < first_s - AT_END_S or (short and start_s < first_s + AT_END_S):
        remarks.append(f"begins before the needle is in the groove, at {first_s:.1f} s: {LEAD_IN}")
    elif track.kind != "sweep" and abs(match.part - 1.0) > DURATION_REPORTED:
        why = "a locked groove or a repeat?" if match.part > 1.0 else "a skip?"
        lasts = f"lasts {stop_s - start_s:.1f} s, {track.stated_duration_s:.1f} planned"
        remarks.append(f"{lasts}: {why} {CLEAN.capitalize()}")
    if match.off_line > OFF_LINE_REPORTED:
        away_s = match.off_line * (stop_s - start_s)
        remarks.append(
            f"can't be followed for {away_s:.1f} s: drowned in hum or noise? Check earth and "
            "cables and capture again"
        )
    # A sweep through the arm's resonance shows in two bands, and may be weak between them.
    has_gaps = track.steps > 1 or track.pilot_hz or is_blurred(track)
    if match.silent_s > INTERRUPTION_REPORTED_S and not has_gaps:
        remarks.append(f"is interrupted for {match.silent_s:.1f} s: {CLEAN}")
    return "; it ".join(remarks)


def _is_cut(facts: FileFacts) -> bool:
    return facts.promised_frames - facts.frames > CUT_S * facts.sample_rate_hz


def _ends_early(facts: FileFacts) -> str:
    return (
        f"decoding stops at {facts.duration_s:.1f} of the "
        f"{facts.promised_frames / facts.sample_rate_hz:.1f} s that the file's header promises: "
        "copy the file again from the recorder"
    )


def _channel_order(alignment: Alignment, parts: Sequence[Part]) -> str:
    one_sided = [
        part for part in _found(parts) if part.track and part.track.modulation in ("left", "right")
    ]
    if not one_sided:
        return "unknown"
    return "exchanged" if alignment.assumption.exchanged else "as_named"


def _found(parts: Sequence[Part]) -> list[Part]:
    """Return the modulated tracks that were located."""
    return [part for part in parts if part.match == TrackMatch.FOUND and part.heard]


def _is_clipped(part: Part, facts: FileFacts) -> bool:
    samples = part.duration_s * facts.sample_rate_hz
    return part.samples_clipped > CLIPPED_PART_MAX * samples


def _tracks(parts: Iterable[Part], one: str = "no track", more: str = "no tracks") -> str:
    numbers = [str(part.track.track) for part in parts if part.track]
    return f"{one if len(numbers) == 1 else more} {', '.join(numbers)}"


def name_of(side: Side) -> str:
    """Name a side for people."""
    return f"side {side.side} of {side.record}"
