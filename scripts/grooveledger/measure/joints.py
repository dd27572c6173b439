"""Whether the tracks of one curve agree where they meet, and repeated tones with one another."""

from collections.abc import Iterator, Mapping
from itertools import combinations, pairwise

import numpy as np

from grooveledger.measure.metric_rows import Columns, groups
from grooveledger.plan import Side, Track

#: Readings at most so far from where two parts meet, in octaves, are compared; cartridges bend
#: little over them.
JOINT_OCTAVES = 1.0 / 3.0
#: Least number of readings for a straight line through them; fewer are averaged.
LINE_LEAST = 4
#: Two tracks agree within twice the record's guarantee, and this besides, dB; and this multiple of
#: the noise of what is compared.
APART_DB, SIGMAS = 0.5, 4.0
#: Tones are compared here, where neither groove radius nor wear matters.
COMPARED_HZ = (100.0, 5000.0)


def joint_remarks(tables: Mapping[str, Columns], side: Side) -> Iterator[tuple[int | None, str]]:
    """Yield where parts of one sweep do not meet in level, and tones that are not repeated alike.

    Parameters
    ----------
    tables : mapping
        Columns of each measure's table of the capture, by name.
    side : Side
        What was played.
    """
    apart_db = 2.0 * side.response_tolerance_db + APART_DB
    for _, channel, rows in groups(tables, "response"):
        stated = ~rows["limited"].astype(bool) & np.isfinite(rows["response_db"])
        parts = [
            {name: values[stated & (rows["part"] == track.track)] for name, values in rows.items()}
            for track in side.tracks
            if track.kind in ("sweep", "tone_steps")
        ]
        for one, other in pairwise(part for part in parts if len(part["part"])):
            step_db, noise_db = step_at_joint(one, other)
            if abs(step_db) > apart_db + SIGMAS * noise_db:
                yield (
                    None,
                    f"tracks {one['part'][0]:.0f} and {other['part'][0]:.0f}, parts of one curve, "
                    f"are {abs(step_db):.1f} dB apart where they meet in the {channel} channel: "
                    "check velocity_cm_s and recorded of both, and the calibration",
                )
    yield from _repeated(tables, side, apart_db)


def step_at_joint(one: Columns, other: Columns) -> tuple[float, float]:
    """Return the level of a part of a curve relative to another where they meet, and its noise, dB.

    Parameters
    ----------
    one, other : mapping
        Rows of the response table of each part, by rising frequency.

    Returns
    -------
    step_db, noise_db : float
        Zero where the parts are too far apart to be compared.
    """
    ends = (
        max(one["frequency_hz"][0], other["frequency_hz"][0]),
        min(one["frequency_hz"][-1], other["frequency_hz"][-1]),
    )
    joint_hz = float(np.sqrt(ends[0] * ends[1]))
    read = [_level_at(part, joint_hz) for part in (one, other)]
    if not all(np.isfinite(level_db) for level_db, _ in read):
        return 0.0, 0.0
    return read[1][0] - read[0][0], float(np.hypot(read[0][1], read[1][1]))


def _level_at(part: Columns, joint_hz: float) -> tuple[float, float]:
    octaves = np.log2(part["frequency_hz"] / joint_hz)
    near = np.abs(octaves) <= JOINT_OCTAVES
    if not near.any():
        return np.nan, np.nan
    level_db, noise_db = part["response_db"][near], part["noise_db"][near]
    if near.sum() < LINE_LEAST:
        return float(np.mean(level_db)), float(np.mean(noise_db))
    line = np.polyfit(octaves[near], level_db, 1)
    return float(line[1]), float(np.mean(noise_db))


def _repeated(
    tables: Mapping[str, Columns], side: Side, apart_db: float
) -> Iterator[tuple[int | None, str]]:
    """Yield the tones of one frequency and modulation whose outputs per velocity differ."""
    heard: dict[tuple[str | None, float | None, str], list[tuple[Track, float, float]]] = {}
    for number, channel, rows in groups(tables, "level"):
        track, sensitivity = side.track(number), float(rows["sensitivity_mv_per_cm_s"][0])
        inside = COMPARED_HZ[0] <= track.lowest_hz <= COMPARED_HZ[1]
        if inside and not rows["limited"][0] and sensitivity > 0.0:
            key = track.modulation, track.frequency_hz, channel
            level_db = 20.0 * float(np.log10(sensitivity))
            heard.setdefault(key, []).append((track, level_db, float(rows["noise_db"][0])))
    for (_, frequency_hz, channel), tones in heard.items():
        for (one, one_db, one_noise), (other, other_db, noise) in combinations(tones, 2):
            off_db = abs(other_db - one_db)
            if off_db > apart_db + SIGMAS * float(np.hypot(one_noise, noise)):
                yield (
                    None,
                    f"tracks {one.track} and {other.track}, both {frequency_hz:g} Hz, are "
                    f"{off_db:.1f} dB apart per velocity in the {channel} channel: check "
                    "velocity_cm_s and velocity_measure of both, and the calibration",
                )
