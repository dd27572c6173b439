"""Where the planned tracks of a capture lie."""

from collections.abc import Callable

import pyarrow as pa

from grooveledger.plan import Side, Track
from grooveledger.schemas.states import TrackMatch


def located_stretches(tracks: pa.Table) -> dict[int, tuple[float, float]]:
    """Return start and stop in seconds of each located track, by its number.

    Parameters
    ----------
    tracks : pyarrow.Table
        The tracks table of stage 1; missing and unexpected rows are passed over.
    """
    rows = tracks.select(["track", "match", "start_s", "stop_s"]).to_pylist()
    return {
        row["track"]: (row["start_s"], row["stop_s"])
        for row in rows
        if row["match"] == TrackMatch.FOUND
    }


def guarded_stretches(
    tracks: pa.Table,
    side: Side,
    uses: Callable[[Track], bool],
    guard_s: float,
    shortest_s: float,
) -> list[tuple[Track, float, float]]:
    """Return the tracks of a use, with start and stop in seconds.

    Parameters
    ----------
    tracks : pyarrow.Table
        The tracks table of stage 1.
    side : Side
        The plan.
    uses : callable
        Whether a track is wanted, see `plan.uses`.
    guard_s : float
        Left out at each end.
    shortest_s : float
        Tracks with less than this between the guards are left out.
    """
    located = located_stretches(tracks)
    wanted = [track for track in filter(uses, side.tracks) if track.track in located]
    guarded = [
        (track, located[track.track][0] + guard_s, located[track.track][1] - guard_s)
        for track in wanted
    ]
    return [entry for entry in guarded if entry[2] - entry[1] >= shortest_s]
