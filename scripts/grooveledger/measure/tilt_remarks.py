"""Which wrong equalisation explains a response's tilt: the chain's, or the record's."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from grooveledger.measure.metric_rows import Columns, groups
from grooveledger.physics.equalisation import (
    REFERENCE_HZ,
    TREBLE_CUT_S,
    recorded_velocity_db,
    replay_response,
    time_constant_response,
)
from grooveledger.plan import Chain, Side, Track

#: In this band cartridges are flat enough for a tilt to show; in the treble a worn tip or too much
#: capacitance tilts the response as well.
BAND_HZ = (50.0, 10_000.0)
#: A curve must cover this many octaves of it, and is read at this many points an octave.
OCTAVES_MIN, POINTS_PER_OCTAVE = 2.5, 6
#: A response is tilted from this rms deviation from level. Treble 6 dB down at 10 kHz makes 1.3.
TILTED_DB = 2.5
#: A wrong description explains a tilt if no more than this part of its deviation is left.
LEFT_PART = 0.4
#: Explanations are alike within this difference of what they leave, dB rms.
ALIKE_DB = 0.5

WITHOUT_TREBLE = "iec98 without its 75 us section"


class Explanation(NamedTuple):
    """A key of the chain (equalisation) or of the tracks (recorded), and what it may really be."""

    key: str
    actual: str


def equalisation_remarks(
    response: Columns, side: Side, chain: Chain
) -> list[tuple[int | None, str]]:
    """Report which responses are tilted as by a wrong replay curve or recorded law, and of which.

    Parameters
    ----------
    response : mapping
        Columns of the response measure.

    Returns
    -------
    list of (track, sentence)
        `track` is None where several are spoken of. Where one fault of the chain explains every
        curve, the tracks are blamed only if one fault of theirs would do as well.
    """
    curves = _curves(response, side)
    explained_by = {track: explanations(*curves[track], track, chain) for track in curves}
    chain_s = [
        one
        for one in next(iter(explained_by.values()), ())
        if one.key == "equalisation" and all(one in others for others in explained_by.values())
    ]
    laws: dict[tuple[str, tuple[Explanation, ...]], list[Track]] = {}
    for track, explained in explained_by.items():
        own = tuple(one for one in explained if one.key == "recorded")
        laws.setdefault((track.recorded, own), []).append(track)
    if chain_s:
        own = next(iter(laws))[1] if len(laws) == 1 else ()
        return [_told((*chain_s, *own), list(curves), curves)]
    return [_told(own, tracks, curves) for (_, own), tracks in laws.items() if own]


def explanations(
    frequency_hz: np.ndarray, response_db: np.ndarray, track: Track, chain: Chain
) -> tuple[Explanation, ...]:
    """Return the wrong descriptions that explain an evenly spaced curve; none if it is level.

    Several explain a curve alike where it does not reach the frequencies at which they differ; a
    missing section is only thought of where nothing simpler explains as much.
    """
    level_db = response_db - response_db.mean()
    tilt_db = _rms(level_db)
    if tilt_db < TILTED_DB:
        return ()
    left_db = {}
    for key, described, kinds in (
        ("equalisation", chain.equalisation.removesuffix("_rumble"), _replayed_db(frequency_hz)),
        ("recorded", track.recorded, _recorded_db(frequency_hz)),
    ):
        for actual, actual_db in kinds.items():
            if actual != described:
                wrong_db = actual_db - kinds[described]
                left_db[Explanation(key, actual)] = _rms(level_db - wrong_db + wrong_db.mean())
    best_db = min(left_db.values())
    if best_db > LEFT_PART * tilt_db:
        return ()
    alike = [one for one, left in left_db.items() if left <= best_db + ALIKE_DB]
    simple = [one for one in alike if one.actual != WITHOUT_TREBLE]
    return tuple(simple or alike)


def _replayed_db(frequency_hz: np.ndarray) -> dict[str, np.ndarray]:
    replayed_db = 20.0 * np.log10(np.abs(replay_response(frequency_hz, "iec98")))
    return {
        "iec98": replayed_db,
        "flat": np.zeros(frequency_hz.shape),
        WITHOUT_TREBLE: replayed_db - _treble_db(frequency_hz),
    }


def _recorded_db(frequency_hz: np.ndarray) -> dict[str, np.ndarray]:
    laws = ("constant_velocity", "constant_amplitude", "iec98")
    recorded = {law: recorded_velocity_db(frequency_hz, law) for law in laws}
    return {**recorded, WITHOUT_TREBLE: recorded["iec98"] + _treble_db(frequency_hz)}


def _treble_db(frequency_hz: np.ndarray) -> np.ndarray:
    ends = [
        np.abs(time_constant_response(hz, (), (TREBLE_CUT_S,)))
        for hz in (frequency_hz, REFERENCE_HZ)
    ]
    return 20.0 * np.log10(ends[0] / ends[1])


def _curves(response: Columns, side: Side) -> dict[Track, tuple[np.ndarray, np.ndarray]]:
    """Return curves of tracks that cover enough of the band, at even points, channels averaged."""
    channels: dict[int, list[dict[str, np.ndarray]]] = {}
    for number, _, rows in groups({"response": response}, "response"):
        clear = ~rows["limited"].astype(bool) & np.isfinite(rows["response_db"])
        channels.setdefault(number, []).append({n: v[clear] for n, v in rows.items()})
    curves = {}
    for number, read in channels.items():
        if not all(len(rows["frequency_hz"]) for rows in read):
            continue
        low_hz = max(BAND_HZ[0], *(rows["frequency_hz"][0] for rows in read))
        high_hz = min(BAND_HZ[1], *(rows["frequency_hz"][-1] for rows in read))
        octaves = np.log2(high_hz / low_hz)
        if octaves < OCTAVES_MIN:
            continue
        even_hz = np.geomspace(low_hz, high_hz, 1 + round(POINTS_PER_OCTAVE * octaves))
        levels_db = [
            np.interp(np.log(even_hz), np.log(rows["frequency_hz"]), rows["response_db"])
            for rows in read
        ]
        curves[side.track(number)] = even_hz, np.mean(levels_db, axis=0)
    return curves


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _told(
    causes: Sequence[Explanation],
    tracks: Sequence[Track],
    curves: Mapping[Track, tuple[np.ndarray, np.ndarray]],
) -> tuple[int | None, str]:
    frequency_hz, response_db = curves[tracks[0]]
    change_db = response_db[-1] - response_db[0]
    numbers = ", ".join(str(track.track) for track in tracks)
    one = tracks[0].track if len(tracks) == 1 else None
    return one, (
        f"the response of track{'s' * (len(tracks) > 1)} {numbers} "
        f"{'rises' if change_db > 0.0 else 'falls'} by {abs(change_db):.0f} dB from "
        f"{frequency_hz[0]:.0f} to {frequency_hz[-1]:.0f} Hz, as a wrong equalisation would make "
        f"it: {' or '.join(map(_remedy, causes))}"
    )


def _remedy(cause: Explanation) -> str:
    if cause.key == "equalisation" and cause.actual == WITHOUT_TREBLE:
        return "give the preamplifier's response in the chain if it lacks the 75 us section"
    if cause.key == "equalisation":
        return f"set equalisation: {cause.actual} in the chain if its preamplifier is so"
    if cause.actual == WITHOUT_TREBLE:
        return "give the record's calibration if it was cut without the 75 us section"
    return f"set recorded: {cause.actual} if it was cut so"
