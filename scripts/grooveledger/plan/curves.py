"""Which tracks of a side make one curve together: parts of one sweep, tones one a track."""

from collections.abc import Callable
from typing import NamedTuple

from grooveledger.plan.record import Side, Track
from grooveledger.plan.uses import is_audio_band


class PlannedCurve(NamedTuple):
    """Tracks that make one curve, in playing order, and the driven channels it is drawn for."""

    tracks: tuple[Track, ...]
    channels: tuple[str, ...]


def response_curves(side: Side) -> tuple[PlannedCurve, ...]:
    """Return the responses that a side gives.

    Of every sweep and stepped track, the parts of one test joined; of the tones of one modulation,
    one a track; and of noise, for channels that no sweep and no stepped track drives.
    """
    curves = []
    swept = {
        channel
        for track in side.tracks
        if serves_response(track) and track.kind in ("sweep", "tone_steps")
        for channel in track.driven_channels
    }
    for tracks in joined(side, serves_response):
        channels = tracks[0].driven_channels
        if tracks[0].kind == "noise":
            channels = tuple(name for name in channels if name not in swept)
        if channels and (tracks[0].kind != "tone" or len(tracks) > 1):
            curves.append(PlannedCurve(tracks, channels))
    return tuple(curves)


def serves_response(track: Track) -> bool:
    """Whether a response may be read of a track: of a tone or noise not on every side."""
    is_of_kind = track.kind in ("sweep", "tone_steps", "tone", "noise")
    return is_of_kind and is_audio_band(track, "response")


def joined(side: Side, uses: Callable[[Track], bool]) -> list[tuple[Track, ...]]:
    """Return the tracks of a use, those together that make one curve.

    Parameters
    ----------
    side : Side
        The plan.
    uses : callable
        Whether a track is wanted.

    Examples
    --------
    >>> tones = [
    ...     {"track": n, "kind": "tone", "modulation": "left", "frequency_hz": hz}
    ...     for n, hz in ((1, 1000.0), (2, 5000.0))
    ... ]
    >>> parts = [
    ...     {"track": 3, "kind": "sweep", "modulation": "right", "start_hz": 20.0, "stop_hz": 1e3},
    ...     {"track": 4, "kind": "sweep", "modulation": "right", "start_hz": 1e3, "stop_hz": 2e4,
    ...      "continues": 3},
    ... ]
    >>> side = Side.from_mapping({"record": "r", "side": "a", "rpm": 45, "tracks": tones + parts})
    >>> [[track.track for track in one] for one in joined(side, lambda track: True)]
    [[1, 2], [3, 4]]
    """
    firsts = {**_spot_tones(side), **_continued(side)}
    curves: dict[int, list[Track]] = {}
    for track in filter(uses, side.tracks):
        curves.setdefault(firsts.get(track.track, track.track), []).append(track)
    return [tuple(tracks) for tracks in curves.values()]


def _continued(side: Side) -> dict[int, int]:
    """Return the first part of the test, by number of each track that goes on from another."""
    firsts: dict[int, int] = {}
    for track in side.tracks:
        if track.continues is not None:
            firsts[track.track] = firsts.get(track.continues, track.continues)
    return firsts


def _spot_tones(side: Side) -> dict[int, int]:
    """Return, by number of each tone that is a point of a response, its modulation's first tone.

    Tones kept for the response are, all others where no sweep and no stepped track of their
    modulation gives one. One frequency alone is no response.
    """
    firsts = {}
    for modulation in ("left", "right", "lateral", "vertical"):
        tracks = [t for t in side.tracks if t.modulation == modulation and serves_response(t)]
        tones = [track for track in tracks if track.kind == "tone"]
        if any(track.kind in ("sweep", "tone_steps") for track in tracks):
            tones = [track for track in tones if track.purpose == "response"]
        if len({track.frequency_hz for track in tones}) > 1:
            firsts.update({track.track: tones[0].track for track in tones})
    return firsts
