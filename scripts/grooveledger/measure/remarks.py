"""Where a capture's figures contradict what is described of record, chain and cartridge.

What the sound alone shows (channels exchanged or dead, one inverted, another speed, another record)
stage 1 has reported already, and is not repeated here.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from grooveledger.measure.context import CaptureContext
from grooveledger.measure.fundamentals import fundamental, speed_ratio
from grooveledger.measure.level_remarks import level_remarks
from grooveledger.measure.metric_rows import Columns
from grooveledger.measure.tilt_remarks import equalisation_remarks
from grooveledger.measure.tone_levels import LEVEL_BAND_HZ
from grooveledger.plan import Track
from grooveledger.schemas.states import TrackMatch

#: The track that a remark speaks of, None for all or several, and its sentence.
Remark = tuple[int | None, str]

#: Channels are compared where cartridges are even and separate them best (common practice).
MIDRANGE_HZ = (290.0, 3000.0)
#: A channel is weak, or is not driven, from this below the other. Balance is within 2 dB in any
#: cartridge that meets the least of demands (IEC 60581-3, from memory).
WEAK_DB = 6.0
#: This far below the other a channel carries nothing, which stage 1 reports.
DEAD_DB = 45.0
#: Channels are in phase or in antiphase within 60 degrees.
IN_PHASE_COS = 0.5
#: With a wrong equalisation only tones this near to 1 kHz give a level.
NEAR_1KHZ_HZ = (900.0, 1100.0)
#: A sweep's ends are located to fractions of a second: smaller differences mean nothing.
DURATION_OFF_S = 1.0


class DrivenLevels(NamedTuple):
    """A track's channels in the midrange.

    Attributes
    ----------
    track : Track
        The track.
    left_db : float
        Left over right.
    phase_cos : float
        Cosine of right minus left: 1 in phase, -1 in antiphase; NaN where one carries nothing.
    """

    track: Track
    left_db: float
    phase_cos: float

    @property
    def driven_db(self) -> float:
        """Driven over undriven channel of a track of one groove wall."""
        return self.left_db if self.track.modulation == "left" else -self.left_db


def remarks(context: CaptureContext, measures: Mapping[str, Columns]) -> list[Remark]:
    """Report what a person should look at, one sentence each: what was seen and what to do.

    Parameters
    ----------
    context : CaptureContext
        The capture, with the settings block `remarks`.
    measures : mapping
        Columns of each measure's table, by name; those without rows are left out.

    Returns
    -------
    list of (track, sentence)
        In a fixed order; empty where nothing contradicts the description.
    """
    settings = context.settings
    wiring, as_described = modulation_remarks(
        _driven_levels(context), settings["separation_least_db"]
    )
    tilts: list[Remark] = []
    if "response" in measures:
        tilts = equalisation_remarks(measures["response"], context.side, context.chain)
    levels: list[Remark] = []
    if "level" in measures:
        band_hz = NEAR_1KHZ_HZ if tilts else LEVEL_BAND_HZ
        levels = level_remarks(context, measures["level"], as_described, band_hz)
    return [
        *wiring,
        *tilts,
        *levels,
        *_duration_remarks(context),
        *_distortion_remarks(context, measures),
        *resonance_remarks(measures),
    ]


def modulation_remarks(
    tracks: Sequence[DrivenLevels], least_db: float
) -> tuple[list[Remark], frozenset[int]]:
    """Report which channels are not driven as described.

    A fault that all tracks share is the leads': exchanged or inverted channels are reported by
    stage 1.

    Parameters
    ----------
    tracks : sequence of DrivenLevels
        The tracks of one tone at a time.
    least_db : float
        Separation below which the channels of a track of one groove wall are alike.

    Returns
    -------
    remarks : list of (track, sentence)
        What contradicts the description.
    as_described : frozenset of int
        Numbers of the tracks whose channels are as described.
    """
    weak = _weak_remarks(tracks)
    if weak is not None:
        return weak, frozenset()
    single = [one for one in tracks if len(one.track.driven_channels) == 1]
    double = [one for one in tracks if len(one.track.driven_channels) == 2]
    alike = [one for one in single if abs(one.driven_db) < least_db]
    crossed = [one for one in single if one.driven_db <= -least_db]
    lone = [one for one in double if abs(one.left_db) >= WEAK_DB]
    turned = [one for one in double if one not in lone and _is_turned(one)]
    remarks: list[Remark] = []
    if alike and len(alike) == len(single):
        remarks.append((None, _mono(alike)))
    else:
        remarks += [(one.track.track, _both(one)) for one in alike]
    if len(crossed) < len(single):
        remarks += [(one.track.track, _other(one)) for one in crossed]
    remarks += [(one.track.track, _one(one)) for one in lone]
    if len(turned) < len(double) - len(lone):
        remarks += [(one.track.track, _axis(one)) for one in turned]
    contradicted = {one.track.track for one in (*alike, *crossed, *lone)}
    return remarks, frozenset(one.track.track for one in tracks) - contradicted


def _driven_levels(context: CaptureContext) -> list[DrivenLevels]:
    """Return the tracks with midrange readings whose louder channel is clear of the noise."""
    found = []
    for track in context.side.tracks:
        read = fundamental(context, track) if track.kind != "two_tone" else None
        if read is None or not track.modulation:
            continue
        left, right = read.amplitude["left"], read.amplitude["right"]
        inside = (read.played_hz >= MIDRANGE_HZ[0]) & (read.played_hz <= MIDRANGE_HZ[1])
        inside &= ~(read.limited["left"] & read.limited["right"]) & (left > 0.0) & (right > 0.0)
        if not inside.any():
            continue
        both = inside & ~read.limited["left"] & ~read.limited["right"]
        phase = np.radians(read.phase_deg["right"] - read.phase_deg["left"])[both]
        left_db = float(np.median(20.0 * np.log10(left[inside] / right[inside])))
        found.append(
            DrivenLevels(track, left_db, float(np.median(np.cos(phase))) if both.any() else np.nan)
        )
    return found


def _weak_remarks(tracks: Sequence[DrivenLevels]) -> list[Remark] | None:
    """Report a channel that is weak on every track; None where there is none.

    Of a lateral or vertical track the channels' difference is the imbalance; of a left and a right
    one, which add and subtract their separation, its mean is.
    """
    left_db = [one.left_db for one in tracks if one.track.modulation == "left"]
    right_db = [one.left_db for one in tracks if one.track.modulation == "right"]
    imbalances_db = [one.left_db for one in tracks if len(one.track.driven_channels) == 2]
    imbalances_db += [0.5 * (left + right) for left in left_db for right in right_db]
    least_db = min(map(abs, imbalances_db), default=0.0)
    if least_db < WEAK_DB or min(imbalances_db) * max(imbalances_db) < 0.0:
        return None
    if least_db >= DEAD_DB:
        return []
    weak = "right" if imbalances_db[0] > 0.0 else "left"
    return [
        (
            None,
            f"the {weak} channel is {np.median(np.abs(imbalances_db)):.0f} dB weaker than the "
            "other: check the cartridge's leads and contacts, and the gain of both channels",
        )
    ]


def _is_turned(one: DrivenLevels) -> bool:
    sign = -1.0 if one.track.modulation == "vertical" else 1.0
    return bool(sign * one.phase_cos < -IN_PHASE_COS)


def _mono(alike: Sequence[DrivenLevels]) -> str:
    numbers = ", ".join(str(one.track.track) for one in alike)
    widest_db = max(abs(one.driven_db) for one in alike)
    return (
        f"the channels are alike within {widest_db:.1f} dB where one groove wall is driven (tracks "
        f"{numbers}): look for a mono switch or bridged leads, or correct the tracks' modulation"
    )


def _both(one: DrivenLevels) -> str:
    return (
        f"track {one.track.track} is described as {one.track.modulation}, but its channels are "
        f"within {abs(one.driven_db):.1f} dB: correct its modulation (lateral or vertical?)"
    )


def _other(one: DrivenLevels) -> str:
    other = "right" if one.track.modulation == "left" else "left"
    return (
        f"track {one.track.track} is described as {one.track.modulation}, but {other} is "
        f"{-one.driven_db:.0f} dB louder there, unlike other tracks: correct its modulation"
    )


def _one(one: DrivenLevels) -> str:
    louder = "left" if one.left_db > 0.0 else "right"
    return (
        f"track {one.track.track} is described as {one.track.modulation}, but {louder} is "
        f"{abs(one.left_db):.0f} dB louder there: correct its modulation ({louder}?)"
    )


def _axis(one: DrivenLevels) -> str:
    is_lateral = one.track.modulation == "lateral"
    phase, axis = ("antiphase", "vertical") if is_lateral else ("phase", "lateral")
    return (
        f"track {one.track.track} is described as {one.track.modulation}, but its channels are in "
        f"{phase}, unlike other tracks: correct its modulation ({axis}?)"
    )


def _duration_remarks(context: CaptureContext) -> Iterator[Remark]:
    """Yield the sweeps that are as long as another; stage 1 checks the others."""
    tracks, speed = context.tracks, speed_ratio(context)
    limit_pct = context.settings["duration_off_pct"]
    for i in np.flatnonzero((tracks["match"] == TrackMatch.FOUND) & (tracks["kind"] == "sweep")):
        if tracks["remark"][i]:
            continue
        lasts_s = speed * float(tracks["stop_s"][i] - tracks["start_s"][i])
        planned_s = float(tracks["planned_s"][i])
        off_s = abs(lasts_s - planned_s)
        if off_s > DURATION_OFF_S and 100.0 * off_s > limit_pct * planned_s:
            yield (
                int(tracks["track"][i]),
                f"track {tracks['track'][i]:.0f} lasts {lasts_s:.1f} s at the right speed, but is "
                f"described as {planned_s:.1f} s: correct duration_s, or the sweep's start_hz, "
                "stop_hz and law",
            )


def _distortion_remarks(
    context: CaptureContext, measures: Mapping[str, Columns]
) -> Iterator[Remark]:
    """Yield the distortion beyond all reason on most tracks; stage 1 reports clipping."""
    if "distortion" not in measures:
        return
    rows, tracks = measures["distortion"], context.tracks
    clipped = tracks["track"][tracks["clipped"].astype(bool)]
    stated = ~rows["limited"].astype(bool) & ~np.isnan(rows["thd_pct"])
    thd_pct = rows["thd_pct"][stated & ~np.isin(rows["track"], clipped)]
    if len(thd_pct) and np.median(thd_pct) > context.settings["distortion_most_pct"]:
        yield (
            None,
            f"half of the distortion figures are at {np.median(thd_pct):.0f} % or more: look at "
            "the stylus under a glass, check the tracking force, and whether the preamplifier or "
            "the converter's input is overdriven",
        )


def resonance_remarks(measures: Mapping[str, Columns]) -> Iterator[Remark]:
    """Yield the low sweeps whose curve is not that of a single resonance."""
    rows = measures.get("resonance_fit", {})
    for i in range(len(rows.get("track", ()))):
        if np.isnan(rows["resonance_hz"][i]) and not np.isnan(rows["residual_db"][i]):
            yield (
                int(rows["track"][i]),
                f"track {rows['track'][i]:.0f} departs from a single resonance by "
                f"{rows['residual_db'][i]:.1f} dB rms: check whether preamplifier or converter cut "
                "the lowest frequencies (equalisation iec98_rumble, or a measured response), and "
                "whether the arm has a second resonance or a loose part",
            )
